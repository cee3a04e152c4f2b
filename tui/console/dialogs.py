"""Dialogs: each asks for one thing and gives it back; none knows the link.

Escape gives back None. What is wrong with an answer is said below it, and the dialog stays.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input, Label, OptionList
from textual.widgets.option_list import Option

from kerfbus.bench.errors import KerfbusError
from kerfbus.tui.console.drawing import Lines
from kerfbus.tui.console.keymap import KEYS
from kerfbus.tui.console.lines import Line, Role, Span, line

T = TypeVar("T")


class Dialog(ModalScreen[T | None], Generic[T]):
    """A box with a title, what a subclass puts into it, and a line for what is wrong."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "shut", "Back")]
    TITLE_TEXT = ""

    def parts(self) -> Sequence[Widget]:
        """Return what stands in the box."""
        return ()

    def compose(self) -> ComposeResult:
        """Build the box."""
        with Vertical(id="box"):
            yield Label(self.TITLE_TEXT, classes="title", markup=False)
            yield from self.parts()
            yield Label("", id="wrong", classes="wrong", markup=False)

    def wrong(self, text: str) -> None:
        """Say what is wrong with an answer."""
        self.query_one("#wrong", Label).update(text)

    def action_shut(self) -> None:
        """Give nothing back."""
        self.dismiss(None)


class Ask(Dialog[str]):
    """Asks for a line of text.

    Args:
        title: what is asked.
        said: what a person should know, a line each.
        given: what stands there already.
        check: is handed the answer and raises `KerfbusError` when it will not do.
    """

    def __init__(
        self,
        title: str,
        said: Sequence[str] = (),
        given: str = "",
        check: Callable[[str], object] | None = None,
    ) -> None:
        super().__init__()
        self.TITLE_TEXT = title
        self._said = said
        self._given = given
        self._check = check

    def parts(self) -> Sequence[Widget]:
        """Return the explanation and the field."""
        words = [Label(each, classes="faint", markup=False) for each in self._said]
        return (*words, Input(self._given, id="answer", select_on_focus=False))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give the answer back when it will do."""
        text = event.value.strip()
        try:
            if self._check is not None:
                self._check(text)
        except KerfbusError as error:
            self.wrong(str(error))
        else:
            self.dismiss(text)


class Pick(Dialog[str]):
    """Asks for one of a list.

    Args:
        title: what is asked.
        options: (what is given back, what is shown).
        said: what a person should know.
    """

    def __init__(
        self, title: str, options: Sequence[tuple[str, str]], said: Sequence[str] = ()
    ) -> None:
        super().__init__()
        self.TITLE_TEXT = title
        self._options = options
        self._said = said

    def parts(self) -> Sequence[Widget]:
        """Return the list."""
        words = [Label(each, classes="faint", markup=False) for each in self._said]
        options = [Option(shown, id=key) for key, shown in self._options]
        return (*words, OptionList(*options, id="options", markup=False))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Give the choice back."""
        self.dismiss(event.option.id)


class PickSeveral(Dialog[list[str]]):
    """Asks for some of a list; Enter gives them back. What is chosen bears an x, not a colour.

    Args:
        title: what is asked.
        options: (key, shown, whether it is chosen already).
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "shut", "Back"),
        Binding("space", "choose", "Choose", priority=True),
        Binding("enter", "done", "Done", priority=True),
    ]

    def __init__(self, title: str, options: Sequence[tuple[str, str, bool]]) -> None:
        super().__init__()
        self.TITLE_TEXT = title
        self._shown = {key: shown for key, shown, _ in options}
        self._chosen = {key: chosen for key, _, chosen in options}

    def parts(self) -> Sequence[Widget]:
        """Return the list."""
        words = Label("Space chooses, Enter is done.", classes="faint")
        options = [Option(self._text(key), id=key) for key in self._shown]
        return (words, OptionList(*options, id="options", markup=False))

    def _text(self, key: str) -> str:
        return f"[{'x' if self._chosen[key] else ' '}] {self._shown[key]}"

    def action_choose(self) -> None:
        """Choose what is marked, or no more."""
        options = self.query_one("#options", OptionList)
        index = options.highlighted
        if index is not None:
            key = list(self._shown)[index]
            self._chosen[key] = not self._chosen[key]
            options.replace_option_prompt_at_index(index, self._text(key))

    def action_done(self) -> None:
        """Give back what is chosen."""
        self.dismiss([key for key, chosen in self._chosen.items() if chosen])


class Told(Dialog[bool]):
    """Shows lines, which may come later.

    Args:
        title: of the box.
        lines: to show; a function is awaited while "..." stands there.
    """

    def __init__(
        self, title: str, lines: Sequence[Line] | Callable[[], Awaitable[Sequence[Line]]]
    ) -> None:
        super().__init__()
        self.TITLE_TEXT = title
        self._source = lines

    def parts(self) -> Sequence[Widget]:
        """Return a place for the lines that can be scrolled."""
        begun: Sequence[Line] = [line(Span("...", Role.FAINT))]
        if not callable(self._source):
            begun = self._source
        body = Lines(id="told", lines=begun)
        body.styles.height = max(len(begun), 1)
        return (VerticalScroll(body, classes="answer"),)

    def on_mount(self) -> None:
        """Wait for lines that come later."""
        if callable(self._source):
            self.run_worker(self._wait(self._source))

    async def _wait(self, source: Callable[[], Awaitable[Sequence[Line]]]) -> None:
        try:
            found = await source()
        except KerfbusError as error:
            self.wrong(str(error))
            return
        body = self.query_one("#told", Lines)
        body.styles.height = max(len(found), 1)
        body.show(found)
        body.refresh(layout=True)
        self.query_one(VerticalScroll).focus()


def help_lines() -> list[Line]:
    """Return every key, what it does, and the command that does the same."""
    lines = [line(Span(f"{'key':<6}{'does':<42}the same as a command", Role.FAINT))]
    lines += [
        line(
            Span(f"{key.shown:<6}", Role.KEY),
            f"{key.does:<42}",
            Span(key.command, Role.FAINT),
        )
        for key in KEYS
    ]
    lines.append(line(Span("ctrl+p opens the command palette: type what you want.", Role.FAINT)))
    return lines
