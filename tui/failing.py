"""Whether a capture shows a failure: by a command, by its damage, by what explains it."""

from __future__ import annotations

import shlex
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from kerfbus.bench.capture import Capture
from kerfbus.bench.decode import Decoder
from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.trimming.cutting import write_capture
from kerfbus.bench.trimming.shrinking import Fails

PLACE = "{}"


@contextmanager
def predicate(line: str | None, cause: str | None, whole: Capture) -> Iterator[Fails]:
    """Give what says whether a capture fails.

    Args:
        line: a command with `{}` for the file; None for none.
        cause: that must come first in the explanation; None for none. Without either a capture
            fails that holds a damaged frame.
        whole: whose exit code a command must repeat: a part that the command cannot even read
            must not pass for one that fails.

    Raises:
        UsageError: the command has no place for the file, or cannot be started; there is no such
            cause.
    """
    if line is None and cause is None:
        yield _damaged
        return
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "part.pcapng"
        if cause is not None:
            _check_cause(cause)
            yield _filed(place, lambda: _explained(place) == cause)
            return
        words = _words(line or "", place)
        write_capture(place, whole)
        code = _code(words)
        yield _filed(place, lambda: code != 0 and _code(words) == code)


def _damaged(capture: Capture) -> bool:
    decoder = Decoder(capture.info)
    for record in capture.records:
        decoder.feed(record)
    decoder.finish()
    return decoder.summary.damaged > 0


def _check_cause(cause: str) -> None:
    from kerfbus.bench.diagnosis.causes import CAUSES

    known = ["healthy", *(each.slug for each in CAUSES)]
    if cause not in known:
        raise UsageError(f"cause {cause!r}: there is none of that name{close_match(cause, known)}")


def _explained(path: Path) -> str | None:
    from kerfbus.bench.diagnosis.explain import explain

    causes = explain(path)["causes"]
    return causes[0]["cause"] if causes else None


def _filed(path: Path, judge: Callable[[], bool]) -> Fails:
    """Return `judge` over a file that holds the capture."""

    def fails(capture: Capture) -> bool:
        path.unlink(missing_ok=True)
        write_capture(path, capture)
        return judge()

    return fails


def _words(line: str, path: Path) -> list[str]:
    try:
        words = shlex.split(line)
    except ValueError as error:
        raise UsageError(f"--command {line!r}: {error}") from error
    if not any(PLACE in word for word in words):
        raise UsageError(f"--command {line!r}: {PLACE} must stand for the file")
    return [word.replace(PLACE, str(path)) for word in words]


def _code(words: list[str]) -> int:
    """Return the exit code of a command; what it prints is nobody's concern."""
    try:
        done = subprocess.run(  # noqa: S603 (the user's own command, without a shell)
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=False,
        )
    except OSError as error:
        raise UsageError(f"--command: {words[0]} cannot be started: {error.strerror}") from error
    return done.returncode
