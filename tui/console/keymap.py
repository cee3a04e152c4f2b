"""The keys of the console: one table for bindings, help and the command palette.

Whatever a key does is also a command; the table says which.
"""

from __future__ import annotations

from typing import NamedTuple


class Key(NamedTuple):
    """A key.

    Attributes:
        keys: as Textual names them, separated by commas.
        shown: for people.
        action: of the application.
        does: what it does.
        command: the command that does the same, "" where there is nothing to do.
    """

    keys: str
    shown: str
    action: str
    does: str
    command: str = ""


KEYS: tuple[Key, ...] = (
    Key("1", "1", "pane(0)", "Values", "kerfbus read"),
    Key("2", "2", "pane(1)", "The line, frame by frame", "kerfbus listen, decode"),
    Key("3", "3", "pane(2)", "Health of the link", "kerfbus soak"),
    Key("tab", "Tab", "next_pane", "The next pane"),
    Key("up,k", "↑ k", "up", "One up (in the line: back, and a pause)"),
    Key("down,j", "↓ j", "down", "One down"),
    Key("pageup", "PgUp", "page_up", "A page up"),
    Key("pagedown", "PgDn", "page_down", "A page down"),
    Key("home", "Home", "oldest", "To the top, or the oldest"),
    Key("end", "End", "newest", "To the end, or the newest"),
    Key("s", "s", "choose_set", "Set a value, chosen from a list", "kerfbus write NAME=VALUE"),
    Key("enter", "Enter", "set_chosen", "Set the chosen value", "kerfbus write NAME=VALUE"),
    Key("A", "A", "arm", "Arm or disarm writing to a real port", "kerfbus write --arm"),
    Key("g", "g", "groups", "Choose what is asked for", "kerfbus read --group"),
    Key("a", "a", "mark_arc", "Mark: the arc is on, or off again", "kerfbus soak --marks"),
    Key("m", "m", "mark_note", "Mark this moment with a note", "kerfbus soak --marks"),
    Key("r", "r", "record", "Start or stop recording", "kerfbus listen --capture"),
    Key("p,space", "p", "pause", "Let the line stand still, or go on"),
    Key("slash", "/", "search", "Search the line for words or characters", "kerfbus decode"),
    Key("f", "f", "filter", "Filter: damaged, requests, replies, marks", "kerfbus decode"),
    Key("h", "h", "raw", "Show the characters of good frames, too", "kerfbus decode --all"),
    Key("x", "x", "explain", "Explain what has just been seen", "kerfbus explain"),
    Key("o", "o", "open_capture", "Open a capture and move through it", "kerfbus decode"),
    Key("left", "←", "earlier", "In a capture: earlier"),
    Key("right", "→", "later", "In a capture: later"),
    Key("left_square_bracket", "[", "damage_before", "In a capture: the damage before"),
    Key("right_square_bracket", "]", "damage_after", "In a capture: the next damage"),
    Key("c", "c", "connect", "Choose port and settings, or find them", "kerfbus find"),
    Key("i", "i", "simulate", "On sim: inject, strike, wear, plant", "kerfbus scenario run"),
    Key("t", "t", "theme", "Dark or light"),
    Key("question_mark,f1", "?", "help", "This help"),
    Key("escape", "Esc", "retreat", "Back: from a search, a capture, a pause"),
    Key("q", "q", "leave", "Leave; recordings are closed"),
)
