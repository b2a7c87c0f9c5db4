"""A real terminal for the tests: tmux, keys typed into it and its screen read back."""

import os
import re
import shlex
import subprocess
import time
import uuid

PATIENCE_S = 45.0


class Terminal:
    """The program `words` in a tmux session of its own server, so that nobody else's is touched.

    The server ends with the test, and also when the tests themselves are killed: a program left running would hold the
    port that it speaks through, and the next board would get the same one.
    """

    def __init__(self, words, folder, size=(100, 30)):
        self.socket = f"sumpglass-test-{uuid.uuid4().hex[:8]}"
        columns, rows = (str(n) for n in size)
        environment = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TMUX")}
        command = f"cd {shlex.quote(str(folder))}; {shlex.join(words)}; echo status $?; sleep 60"
        orphaned = f"while kill -0 {os.getpid()}; do sleep 2; done; tmux -L {self.socket} kill-server"
        self.tmux("-f", "/dev/null", "new-session", "-d", "-x", columns, "-y", rows, command, env=environment)
        self.tmux("run-shell", "-b", orphaned)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.tmux("kill-server", check=False)

    def tmux(self, *words, check=True, **more):
        """What the tmux command prints."""
        whole = ["tmux", "-L", self.socket, *words]
        return subprocess.run(whole, capture_output=True, text=True, check=check, **more).stdout

    def screen(self):
        return self.tmux("capture-pane", "-p")

    def press(self, *keys):
        self.tmux("send-keys", *keys)

    def resize(self, columns, rows):
        self.tmux("resize-window", "-x", str(columns), "-y", str(rows))

    def wait_for(self, pattern, patience_s=PATIENCE_S):
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            if re.search(pattern, screen := self.screen()):
                return screen
            time.sleep(0.1)
        raise AssertionError(f"{pattern!r} did not come up on the screen:\n{self.screen()}")

    def leave(self):
        """Out of a guided test and out of the program."""
        self.press("Escape")
        self.wait_for("last minute")
        self.press("q")
        self.wait_for("q again")
        self.press("q")
        self.wait_for("status 0")
