"""What theory says of errors on a line, in closed form: the yardstick of the simulated one."""

from __future__ import annotations

from functools import cache
from math import erfc, expm1, log1p, sqrt

from kerfbus.bench.crc import crc16

_CHECKS = 16


def tail(x: float) -> float:
    """Return Q(x), the chance that a standard normal number exceeds `x`.

    >>> f"{tail(3.0):.6e}"
    '1.349898e-03'
    """
    return 0.5 * erfc(x / sqrt(2))


def vote_error(sample_error: float) -> float:
    """Return the chance that two or three of three independent samples are wrong."""
    return sample_error * sample_error * (3 - 2 * sample_error)


def frame_error(bit_error: float, bits: int) -> float:
    """Return the chance that any of so many independent bits is wrong, 1 - (1 - p)^n."""
    return -expm1(bits * log1p(-bit_error))


@cache
def _dual_weights(characters: int) -> tuple[int, ...]:
    """Return how many words of the code dual to CRC-16's have each weight.

    Row i of the check matrix holds, for each bit of a frame, bit i of what this bit alone does to
    the residue; the 65,536 sums of rows are the dual code.
    """
    bits = 8 * characters
    nothing = crc16(bytes(characters))
    columns = [
        crc16((1 << place).to_bytes(characters, "little")) ^ nothing for place in range(bits)
    ]
    rows = [sum((column >> i & 1) << k for k, column in enumerate(columns)) for i in range(_CHECKS)]
    counts = [0] * (bits + 1)
    word = 0
    for number in range(1 << _CHECKS):  # in Gray's order, one row changes at a time
        counts[word.bit_count()] += 1
        word ^= rows[min((~number & number + 1).bit_length() - 1, _CHECKS - 1)]
    return tuple(counts)


def undetected_patterns(characters: int, weight: int) -> int:
    """Return how many patterns of `weight` wrong data bits a frame's CRC takes for right.

    Exact, by the identity of MacWilliams (textbook) from the dual code.

    Args:
        characters: of the frame, CRC included.
        weight: wrong bits, 1 to all.

    >>> undetected_patterns(8, 4)
    364
    """
    # The polynomial (1 + x)^(n - j) (1 - x)^j, coefficient of x^weight, for each dual weight j.
    bits = 8 * characters
    total = 0
    for number, count in enumerate(_dual_weights(characters)):
        if count:
            total += count * _krawtchouk(bits, weight, number)
    return total >> _CHECKS


@cache
def _krawtchouk(bits: int, weight: int, number: int) -> int:
    """Return the coefficient of x^weight in (1 + x)^(bits - number) (1 - x)^number."""
    term, total = 1, 0
    row, other = bits - number, number
    first = [term]
    for k in range(weight):
        term = term * (row - k) // (k + 1)
        first.append(term)
    term = 1
    for k in range(weight + 1):
        total += (-term if k & 1 else term) * first[weight - k]
        term = term * (other - k) // (k + 1)
    return total


def undetected(bit_error: float, characters: int) -> float:
    """Return the chance that a frame's data bits are wrong and its CRC still fits.

    Sum over the dual code of (1 - 2p)^weight / 2^16, less the chance that no bit is wrong
    (textbook). Parity and framing may see what the CRC does not; that is not in here.

    Args:
        bit_error: of each data bit, independent.
        characters: of the frame, CRC included.
    """
    fits = sum(
        count * (1 - 2 * bit_error) ** weight
        for weight, count in enumerate(_dual_weights(characters))
    )
    return fits / (1 << _CHECKS) - (1 - bit_error) ** (8 * characters)
