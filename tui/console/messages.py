"""Messages from the link to the screen."""

from __future__ import annotations

from textual.message import Message

LOOKS_A_SECOND = 4
"""So often the screen looks at the model, if only for notes; frames make no messages."""


class Opened(Message):
    """A port was opened, or could not be; the model says which."""


class Broken(Message):
    """The link ended by something that is nobody's port: a mistake of ours, or a file.

    Attributes:
        why: in a line.
    """

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why
