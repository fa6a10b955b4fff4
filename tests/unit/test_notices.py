"""The notices name everything that is installed, with the licence that its package states, and ship with the program."""
from __future__ import annotations

from tests import notices

PAGE = notices.PAGE.read_text(encoding="utf-8")


def test_the_table_is_what_is_installed() -> None:
    assert notices.with_table(PAGE) == PAGE, "python -m tests.notices writes it anew"


def test_no_licence_is_left_unsaid() -> None:
    assert not [name for name in notices.names() if notices.licence(name) in ("", "UNKNOWN", "see its licence file")]


def test_what_the_two_clause_licences_ask_for_is_there() -> None:
    for words in ("Carnegie Mellon University.  All rights", "Alpha Cephei Inc. All rights", "DISCLAIMED"):
        assert words in PAGE


def test_it_ships() -> None:
    assert 'license-files = ["LICENSE", "assistant/docs/notices.md"]' in (notices.ROOT / "pyproject.toml").read_text(encoding="utf-8")
