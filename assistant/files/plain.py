"""Free text, typed or from a file: one rule where it comes in, one where it goes out to a terminal or a spreadsheet.

A name with an escape sequence in it steers the terminal of whoever lists it later, and a cell that begins with = is computed by
the office's spreadsheet (OWASP, "CSV injection", from memory: = + - @ and their full-width forms, at the start or after a
semicolon that separates cells).
"""
from __future__ import annotations

import json
import re
import shutil
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO

MOST = 500
"""Characters of a name or a remark. Ours."""
RULE = f"a text on one line, at most {MOST} characters"

_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")
_COMPUTED = re.compile(r"(^|;)(\s*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])")


def is_line(value: Any) -> bool:
    """Whether it is what RULE says; empty is one too."""
    return isinstance(value, str) and value.isprintable() and len(value) <= MOST


def tamed(text: str, keep: str = "") -> str:
    r"""The text with what can't be printed written as JSON writes it (``\u001b``), but for the characters of ``keep``."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in keep else f"\\u{ord(letter):04x}" if ord(letter) <= 0xffff
                   else json.dumps(letter)[1:-1] for letter in text)


def cell(text: str) -> str:
    """The text as a spreadsheet takes it for a text: ' before what it would compute. A number stays one."""
    return text if _NUMBER.fullmatch(text) else _COMPUTED.sub(r"\1\2'", tamed(text))


def for_terminal(text: str) -> str:
    """Sentences broken between words where a terminal would break them anywhere; as they are where it is none."""
    if not sys.stdout.isatty():
        return text
    columns = shutil.get_terminal_size().columns
    return "\n".join(textwrap.fill(line, columns, break_long_words=False, break_on_hyphens=False) for line in text.split("\n"))


class _Tamed:
    """A stream on which nothing that is printed can steer the terminal."""

    def __init__(self, stream: TextIO, keep: str) -> None:
        self._stream, self._keep = stream, keep

    def write(self, text: str) -> int:
        return self._stream.write(tamed(text, self._keep))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def on_terminal() -> Iterator[None]:
    """All that is printed inside is tamed; the live screen writes its own commands past it, and tames its texts itself."""
    before = sys.stdout, sys.stderr
    out, err = before
    sys.stdout = out and _Tamed(out, "\n\t")
    sys.stderr = err and _Tamed(err, "\n\t\r")  # progress goes back to the start of its line
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
