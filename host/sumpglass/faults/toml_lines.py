"""Line of every value in a TOML document, which `tomllib` does not tell, so that an error can name it.

Only for text that `tomllib` has already read without complaint: the scanner relies on correct syntax.
"""

from __future__ import annotations

import tomllib

Path = tuple[str | int, ...]


def lines_of(text: str) -> dict[Path, int]:
    """Line number (from 1) of each key, table and array item, by its path: `("edges", 2, "cda_mm2", 0)`."""
    scanner = _Scanner(text)
    scanner.document()
    return scanner.lines


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._array_counts: dict[Path, int] = {}

    def document(self) -> None:
        base: Path = ()
        while self._skip(newlines=True):
            if self.text[self.at] == "[":
                base = self._header()
            else:
                self._pair(base)

    def _line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1

    def _skip(self, newlines: bool) -> bool:
        """Pass over white space and comments; False at the end of the text."""
        blank = " \t\r\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in blank:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return True
        return False

    def _header(self) -> Path:
        line = self._line()
        is_array = self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        path: Path = ()
        names = self._key()
        for position, name in enumerate(names):
            path = (*path, name)
            last = position == len(names) - 1
            if path in self._array_counts and not (last and is_array):
                path = (*path, self._array_counts[path] - 1)
        if is_array:
            self._array_counts[path] = self._array_counts.get(path, 0) + 1
            self.lines.setdefault(path, line)
            path = (*path, self._array_counts[path] - 1)
        self.lines[path] = line
        self._skip(newlines=False)
        self.at += 2 if is_array else 1
        return path

    def _key(self) -> list[str]:
        names = []
        while True:
            self._skip(newlines=False)
            if self.text[self.at] in "\"'":
                start = self.at
                self._string()
                names.append(tomllib.loads(f"k = {self.text[start : self.at]}")["k"])
            else:
                start = self.at
                while self.text[self.at].isalnum() or self.text[self.at] in "_-":
                    self.at += 1
                names.append(self.text[start : self.at])
            self._skip(newlines=False)
            if self.at >= len(self.text) or self.text[self.at] != ".":
                return names
            self.at += 1

    def _pair(self, base: Path) -> None:
        line = self._line()
        path = base
        for name in self._key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self.at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(newlines=False)
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def _array(self, path: Path) -> None:
        self.at += 1
        index = 0
        while True:
            self._skip(newlines=True)
            if self.text[self.at] == "]":
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while True:
            self._skip(newlines=True)
            if self.text[self.at] == "}":
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._pair(path)

    def _string(self) -> None:
        quote = self.text[self.at]
        marks = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(marks)
        while not self.text.startswith(marks, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(marks)
        if len(marks) == 3:  # up to two more quotes may stand before the closing three
            while self.at < len(self.text) and self.text[self.at] == quote:
                self.at += 1
