"""The one exception tree. Every message is one sentence that says what happened and what to do about it.

`cli.main` turns each class into its exit status (contract): 2 the input or the call is wrong, 3 the device or the
disk failed.
"""


class SumpglassError(Exception):
    """Root of all errors that are meant to reach a person as one line."""

    exit_status = 2


class InputError(SumpglassError):
    """A file, an option or a value is wrong: names the file, the line or byte, what was found, what was expected."""


class DeviceError(SumpglassError):
    """The port, the board or a sensor failed."""

    exit_status = 3


class DiskError(SumpglassError):
    """The disk is full, or a file could not be written."""

    exit_status = 3


class VersionError(SumpglassError):
    """A board, a file or a message is of a version that this program does not speak; says what to do."""


class RefusedError(SumpglassError):
    """The tool declines to compute: the signal or the set-up does not allow it (not at rest, unlike conditions)."""
