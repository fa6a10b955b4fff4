"""Which keys of a matrix can be believed.

In a matrix without diodes three keys at the corners of a rectangle close the fourth corner too: a key that nobody pressed
(a "ghost"). All closed contacts that hang together through shared rows and columns are one group. A group in a single row,
or in a single column, can hold no ghost; any other may. It follows from the circuit: current finds its way through any
group, so that all its rows and columns are joined.
"""
from __future__ import annotations

from collections.abc import Set

Contact = tuple[int, int]
"""row, column"""


def doubtful(closed: Set[Contact]) -> set[Contact]:
    """Those of the closed contacts that may be ghosts, with all that they hang together with."""
    found: set[Contact] = set()
    left = set(closed)
    while left:
        group, edge = set(), {left.pop()}
        while edge:
            row, column = one = edge.pop()
            group.add(one)
            edge |= {other for other in left if other[0] == row or other[1] == column}
            left -= edge
        if len({row for row, _ in group}) > 1 and len({column for _, column in group}) > 1:
            found |= group
    return found
