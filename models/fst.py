"""Reads the words of an OpenFst file and writes a small acceptor in its binary form.

The layout, all little-endian, as OpenFst 1.8 reads and writes it (src/include/fst/fst.h, vector-fst.h and
src/lib/symbol-table.cc): checked by loading what is written here in vosk, which carries OpenFst.
"""

import mmap
import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import BinaryIO

MAGIC = 2125659606
SYMBOLS_MAGIC = 2125658996
_HAS_INPUT_SYMBOLS, _HAS_OUTPUT_SYMBOLS = 1, 2
_EXPANDED_AND_MUTABLE = 3
_NOT_FINAL = float("inf")

Arc = tuple[int, float, int]
"""Label (a word's id; 0: no word), cost (minus the natural logarithm of a probability), the state it leads to."""


class BadFst(ValueError):
    """Not a file that this module can read."""


def acceptor_bytes(arcs: Sequence[Sequence[Arc]], finals: Mapping[int, float]) -> bytes:
    """The file of an acceptor as a "vector" FST with standard (tropical) arcs.

    arcs: for each state its arcs, sorted here by label since a composition searches them. finals: final state -> cost.
    """
    parts = [struct.pack("<i", MAGIC), _string("vector"), _string("standard"),
             struct.pack("<iiQqqq", 2, 0, _EXPANDED_AND_MUTABLE, 0, len(arcs), sum(map(len, arcs)))]
    for state, leaving in enumerate(arcs):
        parts.append(struct.pack("<fq", finals.get(state, _NOT_FINAL), len(leaving)))
        parts += [struct.pack("<iifi", label, label, cost, to) for label, cost, to in sorted(leaving)]
    return b"".join(parts)


def symbols(path: Path) -> dict[str, int]:
    """Word -> id of the first symbol table inside an FST file (an acceptor's two are the same); {} if it has none.

    Raises BadFst, OSError.
    """
    with path.open("rb") as file, _mapped(file) as data:
        try:
            at = _after_text(data, _after_text(data, _checked(data, 0, MAGIC, path)))   # the types of FST and of arcs
            flags = struct.unpack_from("<ii", data, at)[1]
            at += struct.calcsize("<iiQqqq")
            if not flags & (_HAS_INPUT_SYMBOLS | _HAS_OUTPUT_SYMBOLS):
                return {}
            at = _after_text(data, _checked(data, at, SYMBOLS_MAGIC, path))             # the table's name
            _, count = struct.unpack_from("<qq", data, at)
            at += 16
            table = {}
            for _ in range(count):                          # half a million words take about half a second
                end = at + 4 + _size.unpack_from(data, at)[0]
                word = data[at + 4:end].decode("utf-8")
                table[word] = _id.unpack_from(data, end)[0]
                at = end + 8
            return table
        except (struct.error, UnicodeDecodeError):
            raise BadFst(f"{path} is torn") from None


_size, _id = struct.Struct("<I"), struct.Struct("<q")


def _mapped(file: BinaryIO) -> mmap.mmap:
    try:
        return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except ValueError:
        raise BadFst(f"{file.name} is empty") from None


def _checked(data: mmap.mmap, at: int, magic: int, path: Path) -> int:
    if struct.unpack_from("<i", data, at)[0] != magic:
        raise BadFst(f"{path} is not what its name says")
    return at + 4


def _after_text(data: mmap.mmap, at: int) -> int:
    return at + 4 + _size.unpack_from(data, at)[0]


def _string(text: str) -> bytes:
    return struct.pack("<i", len(text)) + text.encode()
