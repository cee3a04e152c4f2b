"""White Gaussian noise, looked at only where it matters.

The noise is that of `kerfbus.sim.pair.whitenoise`, sample for sample. A sample's radius follows
from its first hash alone, and falls as that rises: a sample whose hash is above the limit for some
distance cannot be as far out, so neither logarithm nor cosine of it is taken. That is exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.whitenoise import GOLDEN, REACH, WORD

Hashes = NDArray[np.uint64]
EVERY = WORD
_BLOCK = 8192  # so that it stays in a near cache


def limit(sigmas: float) -> int:
    """Return the hash below which a sample may be further out than so many standard deviations."""
    if sigmas >= REACH:
        return 0
    # radius > z  <=>  u < exp(-z * z / 2), where u is (hash >> 11) + 1 over 2**53.
    return min(EVERY, (int(np.exp(-0.5 * max(sigmas, 0.0) ** 2) * 2.0**53) + 1) << 11)


class FarNoise:
    """The noise of one source.

    Args:
        key: `kerfbus.sim.pair.whitenoise.noise_key` of the source.
    """

    def __init__(self, key: int) -> None:
        self._key = key
        with np.errstate(over="ignore"):
            self._steps = np.arange(_BLOCK, dtype=np.uint64) * np.uint64(GOLDEN)
        self._word = np.empty_like(self._steps)
        self._shifted = np.empty_like(self._steps)

    def mark(self, first: int, limits: np.uint64 | Hashes, flags: NDArray[np.bool_]) -> None:
        """Set the flags of samples whose hash is below their limit.

        Args:
            first: number of the first sample.
            limits: of `limit`, one for all or one each.
            flags: of each sample, shape (n,).
        """
        for done in range(0, len(flags), _BLOCK):
            block = slice(done, min(done + _BLOCK, len(flags)))
            word, shifted = self._word[: block.stop - done], self._shifted[: block.stop - done]
            base = np.uint64((self._key + (first + done) * GOLDEN) & WORD)
            np.add(self._steps[: len(word)], base, out=word)
            these = limits if isinstance(limits, np.uint64) else limits[block]
            flags[block] |= _mix(word, shifted) < these

    def values(self, first: int, places: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the noise, in standard deviations, of samples ``first + places``."""
        steps = places.astype(np.uint64) * np.uint64(GOLDEN)
        even, turn = (
            _mix(steps + np.uint64((key + first * GOLDEN) & WORD), np.empty_like(steps))
            for key in (self._key, ~self._key & WORD)
        )
        part = ((even >> np.uint64(11)) + np.uint64(1)).astype(np.float64) * 2.0**-53
        radius = np.sqrt(-2.0 * np.log(part))
        angle = turn.astype(np.float64) * (2.0 * np.pi * 2.0**-64)
        return np.asarray(radius * np.cos(angle), np.float64)


def _mix(word: Hashes, shifted: Hashes) -> Hashes:
    """Mix in place, as `kerfbus.sim.pair.whitenoise.hashes` does."""
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB), (31, 0)):
        np.right_shift(word, np.uint64(shift), out=shifted)
        np.bitwise_xor(word, shifted, out=word)
        if factor:
            np.multiply(word, np.uint64(factor), out=word)
    return word
