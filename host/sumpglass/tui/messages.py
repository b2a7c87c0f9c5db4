"""Typed messages between the feed's thread and the screens."""

from __future__ import annotations

from textual.message import Message


class FeedReady(Message):
    """The feed has events waiting. One at most is under way: a slow screen drains more at once."""

    namespace = "sumpglass"
