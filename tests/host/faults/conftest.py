"""Makes the maker of strange layouts importable for the tests of the fault search."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
