"""Which files, or which shares of a large one, make a piece of work."""

from __future__ import annotations

from collections.abc import Mapping

# Files of one piece of work, each as (index of the file, turn, of): of a file that is read by
# several, each takes the shares of its turn.
Deal = list[tuple[int, int, int]]

# Smaller shares cost more to begin than they save.
SMALLEST = 1 << 20


def deal(sizes: Mapping[int, int], pieces: int, smallest: int = SMALLEST) -> list[Deal]:
    """Return about so many pieces of work of about the same size in bytes, in the files' order.

    `sizes` are those of the files, by index.
    Small files go together, a large one is shared. No piece is smaller than `smallest` but where
    there is not more.
    """
    target = max(sum(sizes.values()) / max(pieces, 1), smallest, 1)
    found: list[Deal] = []
    together: Deal = []
    held = 0
    for index, size in sizes.items():
        shares = round(size / target)
        if together and (shares > 1 or held + size > target):
            found.append(together)
            together, held = [], 0
        if shares > 1:
            found += ([(index, turn, shares)] for turn in range(shares))
        else:
            together.append((index, 0, 1))
            held += size
    return [*found, together] if together else found
