"""What has been told so far: happenings by key, and which of them changed since the last look."""

from __future__ import annotations

from dataclasses import replace

from sumpglass.records import Happening


class Ledger:
    """Happenings with their keys; the same key again is a revision."""

    def __init__(self) -> None:
        self._all: dict[int, Happening] = {}
        self._changed: dict[int, Happening] = {}
        self._next_key = 1

    def __getitem__(self, key: int) -> Happening:
        return self._all[key]

    def add(self, happening: Happening) -> int:
        """Enter a new happening; returns its key."""
        key = self._next_key
        self._next_key += 1
        self._all[key] = self._changed[key] = replace(happening, key=key)
        return key

    def revise(self, key: int, happening: Happening) -> None:
        """Put `happening` in the place of what stood under `key`."""
        if self._all[key] != happening:
            self._all[key] = self._changed[key] = happening

    def withdraw(self, key: int, now_s: float) -> None:
        """Strike a happening through."""
        self.revise(key, replace(self._all[key], withdrawn_s=now_s, settled=True))

    def changes(self) -> list[Happening]:
        """What is new or revised since the last call."""
        changed = list(self._changed.values())
        self._changed = {}
        return changed

    def all(self) -> list[Happening]:
        """Everything, withdrawn ones too, by onset."""
        return sorted(self._all.values(), key=lambda h: (h.t_s, h.key))
