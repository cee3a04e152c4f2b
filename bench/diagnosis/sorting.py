"""The pieces of a line sorted into exchanges.

Job: give every character its place. A damaged frame is taken for what it resembles, and where it
resembles nothing, for what its moment says. It must not know any cause.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kerfbus.bench.conversation import Role
from kerfbus.bench.diagnosis.episodes import Episode, Exchanges, Stray
from kerfbus.bench.diagnosis.expected import Book
from kerfbus.bench.diagnosis.pattern import Due, Pattern, compare
from kerfbus.bench.diagnosis.pieces import NEVER, Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Vantage

GLUED_CHARACTERS = 1.5
"""Silence up to which characters belong to the frame beside them (t1.5: MODBUS over Serial Line
V1.02, 2.5.1.1, taken at every rate)."""
JOINED_CHARACTERS = 4.5
"""Silence up to which rubble is one piece (chosen: a frame with a hole in it)."""
LEAST_GARBAGE = 3
"""Characters that are taken for a reply beyond recognition (chosen)."""


class Sorter:
    """Sorts the pieces of a line into exchanges.

    Args:
        vantage: what the station is.
        settings: rate and format.
        book: what was to be said.
    """

    def __init__(self, vantage: Vantage, settings: LineSettings, book: Book) -> None:
        self._vantage = vantage
        self._character = settings.character_ns
        self._book = book
        self._episodes: list[Episode] = []
        self._strays: list[Stray] = []
        self._glued = int(GLUED_CHARACTERS * self._character)
        self._usual = 0

    def sort(self, pieces: Sequence[Piece]) -> Exchanges:
        """Return the exchanges."""
        heard = [piece for piece in pieces if not piece.outbound]
        self._usual = _usual_turnaround(pieces)
        joined = list(self._joined(pieces))
        for piece in joined:
            if not piece.good and not piece.outbound:
                self._rubble(piece)
            elif piece.echo:
                self._echo(piece)
            elif piece.role is Role.REQUEST:
                self._asked(piece)
            else:
                self._answered(piece)
        if self._episodes:
            self._close(self._episodes[-1], NEVER)
        split = [(p, max(g for _, g in p.gaps)) for p in heard if p.good and p.gaps]
        return Exchanges(
            self._episodes,
            sorted(self._strays, key=lambda stray: stray.piece.at),
            split,
            sum(piece.good for piece in heard),
            sum(len(piece.data) for piece in heard if piece.good),
            sum(len(piece.data) for piece in heard),
            [piece for piece in joined if not (piece.good or piece.outbound)],
        )

    def _joined(self, pieces: Iterable[Piece]) -> Iterable[Piece]:
        """Yield pieces with rubble that has no silence inside put together."""
        limit = int(JOINED_CHARACTERS * self._character)
        held: Piece | None = None
        for piece in pieces:
            loose = not (piece.good or piece.outbound or piece.echo)
            if held is not None and loose and piece.start - held.at < limit:
                held = together(held, piece)
                continue
            if held is not None:
                yield held
            held = piece if loose else None
            if not loose:
                yield piece
        if held is not None:
            yield held

    def _open(self, episode: Episode) -> Episode:
        if self._episodes:
            self._close(self._episodes[-1], episode.began)
        self._episodes.append(episode)
        return episode

    def _last(self) -> Episode | None:
        return self._episodes[-1] if self._episodes else None

    def _new(self, piece: Piece, request: bytes | None) -> Episode:
        return self._open(
            Episode(
                len(self._episodes),
                piece.start,
                piece.at,
                request,
                piece.number,
                piece.outbound,
                due=request is None or request[0] != 0,
                asked_piece=piece,
            )
        )

    def _asked(self, piece: Piece) -> None:
        before = self._loose_before(piece)
        episode = self._new(piece, piece.data)
        if before:
            episode.asking = Pattern(len(piece.data), len(piece.data), before, likeness=1.0)

    def _loose_before(self, piece: Piece) -> int:
        """Take the rubble that is glued to the head of a frame, and return how much it is."""
        last = self._last()
        if last is None or not last.rubble or piece.outbound:
            return 0
        rubble = last.rubble[-1]
        if piece.start - rubble.at > self._glued:
            return 0
        last.rubble.pop()
        return len(rubble.data)

    def _answered(self, piece: Piece) -> None:
        """Place a good frame that is no request."""
        episode = self._last()
        if episode is None or (piece.pairs_with is None and not piece.late and self._orphan(piece)):
            episode = self._new(piece, None)
            episode.unheard, episode.answer, episode.asked_piece = True, piece, None
            return
        mine = piece.pairs_with is not None and piece.pairs_with == episode.number
        if piece.late:
            episode.late.append(piece)
        elif episode.answer is None and (mine or self._fits(piece, episode)):
            before = self._loose_before(piece)
            episode.answer = piece
            if before:
                episode.answering = Pattern(len(piece.data), len(piece.data), before, likeness=1.0)
        else:
            episode.strange.append(piece)

    def _orphan(self, piece: Piece) -> bool:
        """Return whether a frame answers a request that was not heard."""
        episode = self._last()
        assert episode is not None
        if self._vantage == "client" or episode.asking is not None:
            return False
        return episode.answer is not None and piece.gap > 2 * max(self._usual, self._glued)

    def _fits(self, piece: Piece, episode: Episode) -> bool:
        asked = episode.request
        return asked is None or (piece.data[0], piece.data[1] & 0x7F) == (asked[0], asked[1])

    def _echo(self, piece: Piece) -> None:
        episode = self._last()
        if episode is None:
            return
        episode.echo = True
        if not piece.good and episode.request is not None:
            due = Due(episode.request, bytes([1]) * len(episode.request))
            episode.echoing = compare(piece.data, due)

    def _rubble(self, piece: Piece) -> None:
        """Place damaged characters: a request by likeness, or part of the exchange at hand."""
        if self._vantage != "client" and self._is_request(piece):
            return
        episode = self._last()
        if episode is None:
            self._strays.append(Stray(piece, piece.gap, NEVER, due=False))
            return
        episode.rubble.append(piece)

    def _is_request(self, piece: Piece) -> bool:
        """Begin an exchange with a damaged request, if it is one."""
        best, asked = self._likest(piece)
        episode = self._last()
        waiting = episode is not None and episode.due and episode.answer is None
        likely = self._likely_reply(piece, episode) if waiting and episode else 0.0
        soon = waiting and episode is not None and self._soon(piece, episode)
        if best is None or best.likeness + (0 if soon else 0.15) <= max(likely, 0.4):
            if soon or len(piece.data) < 6 or likely >= 0.4:
                return False
            best = Pattern(8, len(piece.data))  # beyond recognition, when a request was due
            asked = None
        opened = self._new(piece, asked)
        opened.asking = best
        return True

    def _soon(self, piece: Piece, episode: Episode) -> bool:
        """Return whether characters come when the answer is due."""
        return piece.start - episode.ended < 2 * self._usual + 2 * self._glued

    def _likest(self, piece: Piece) -> tuple[Pattern | None, bytes | None]:
        best: Pattern | None = None
        asked: bytes | None = None
        for due in self._book.requests():
            pattern = compare(piece.data, due)
            if best is None or pattern.likeness > best.likeness:
                best, asked = pattern, due.data
        return best, asked

    def _likely_reply(self, piece: Piece, episode: Episode) -> float:
        due = self._due(episode)
        return compare(piece.data, due).likeness if due is not None else 0.0

    def _due(self, episode: Episode) -> Due | None:
        if episode.request is None:
            return None
        return self._book.reply(episode.request, episode.ended)

    def _close(self, episode: Episode, next_at: int) -> None:
        """Give all rubble of an exchange its place."""
        episode.next_at = next_at
        rubble, episode.rubble = episode.rubble, []
        if rubble and episode.answer is not None:
            behind = rubble[0].start - episode.answer.at
            if 0 <= behind <= self._glued:
                self._behind(episode, rubble.pop(0))
        elif rubble and episode.due:
            rubble = self._torn(episode, rubble)
        for index, piece in enumerate(rubble):
            after = rubble[index + 1].start if index + 1 < len(rubble) else next_at
            if episode.answer is not None and episode.answer.start > piece.start:
                after = min(after, episode.answer.start)
            due = episode.due and (episode.answer is None or episode.answer.start > piece.start)
            self._strays.append(Stray(piece, piece.gap, max(after - piece.at, 0), due))

    def _behind(self, episode: Episode, piece: Piece) -> None:
        """Note characters glued to the tail of a good answer."""
        assert episode.answer is not None
        size = len(episode.answer.data)
        before = episode.answering.before if episode.answering else 0
        episode.answering = Pattern(size, size, before, behind=len(piece.data), likeness=1.0)

    def _torn(self, episode: Episode, rubble: list[Piece]) -> list[Piece]:
        """Take what is the damaged answer out of rubble and return the rest."""
        due = self._due(episode)
        best, first, last, found = 0.0, -1, -1, None
        for start in range(len(rubble)):
            joined = rubble[start]
            for end in range(start, min(start + 3, len(rubble))):
                joined = joined if end == start else together(joined, rubble[end])
                pattern = compare(joined.data, due) if due else Pattern(0, len(joined.data))
                score = pattern.likeness - 0.05 * (end - start)
                if found is None or score > best:
                    best, first, last, found = score, start, end, pattern
        assert found is not None
        if not found.like:
            sizes = [len(p.data) * self._soon(p, episode) for p in rubble]
            first = last = sizes.index(max(sizes))
            if sizes[first] < LEAST_GARBAGE:
                return rubble
            piece = rubble[first]
            found = compare(piece.data, due) if due else Pattern(0, len(piece.data))
        torn = rubble[first]
        for piece in rubble[first + 1 : last + 1]:
            torn = together(torn, piece)
        episode.torn, episode.answering = torn, found
        return rubble[:first] + rubble[last + 1 :]


def together(one: Piece, other: Piece) -> Piece:
    """Return two pieces as one, with the silence between them inside."""
    size = len(one.data)
    gap = other.start - one.at
    between = ((size, gap),) if gap > 0 else ()
    return one._replace(
        data=one.data + other.data,
        at=other.at,
        number=one.number if one.number is not None else other.number,
        flags=one.flags + tuple(f._replace(position=f.position + size) for f in other.flags),
        gaps=one.gaps + between + tuple((place + size, ns) for place, ns in other.gaps),
    )


def _usual_turnaround(pieces: Sequence[Piece]) -> int:
    """Return the silence before a reply that nine in ten do not exceed, ns; 0 when unknown."""
    found = sorted(
        piece.gap
        for piece in pieces
        if piece.good and piece.role is Role.REPLY and not piece.late and 0 <= piece.gap < NEVER
    )
    return found[len(found) * 9 // 10] if found else 0
