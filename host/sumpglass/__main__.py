"""`python -m sumpglass` is the same as `sumpglass`."""

import sys

from sumpglass.cli import main

sys.exit(main())
