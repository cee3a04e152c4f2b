"""`kerfbus completion`: the script that lets a shell complete command lines."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output

SHELLS = ("bash", "zsh", "fish")
VARIABLE = "_KERFBUS_COMPLETE"


@click.command(
    "completion",
    epilog=examples("kerfbus completion bash", "kerfbus completion zsh"),
)
@click.argument("shell", type=click.Choice(SHELLS))
@json_option
def command(shell: str, as_json: bool) -> int:
    """Print the script that completes command lines in a shell.

    \b
    bash  save it as ~/.local/share/bash-completion/completions/kerfbus
    zsh   save it as _kerfbus in a folder of $fpath
    fish  save it as ~/.config/fish/completions/kerfbus.fish

    To try it in bash without a file: source <(kerfbus completion bash)
    """  # noqa: D301 (click looks for the character itself)
    from kerfbus.tui.program import program

    made = get_completion_class(shell)
    assert made is not None  # click knows the three
    text = made(program, {}, "kerfbus", VARIABLE).source()
    output = Output(as_json=as_json)
    output.answer({"shell": shell, "script": text})
    output.text(text)
    return DONE
