import micropython

micropython.kbd_intr(-1)  # at once: a request holds any byte, and 0x03 would end this; `boot` hears a person's Ctrl-C

from sumpglass_board import boot  # noqa: E402

boot.main()
