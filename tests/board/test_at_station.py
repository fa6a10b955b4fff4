"""The station tells the board's code: on its screen, and aloud to whoever asks at the first question; nowhere near a reading."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from assistant.board import how_to_pair, pairing
from assistant.board.publish import Publisher
from assistant.core.state import Phase
from assistant.record.journal import Journal
from tests.unit.test_live import Bench, at_once
from tests.unit.test_live import _a_quick_hand as _a_quick_hand

URL = "http://192.168.4.1:8080/"


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setattr(pairing, "SERVICE", tmp_path / "none")
    return tmp_path / "bowlside-board"


def test_without_a_board_nothing_is_told(own: Path) -> None:
    assert how_to_pair.shown() == how_to_pair.said() == ""


def test_what_is_shown_and_said(own: Path) -> None:
    code = pairing.new_code(own, [URL])
    assert how_to_pair.shown() == f"Phones of the crew: {URL} code {code}"
    assert how_to_pair.said() == (
        f"The crew's board. The code is {', '.join(code)}. The address is 1, 9, 2 point 1, 6, 8 point 4 point 1, port 8, 0, 8, 0."
    )
    pairing.forget_code(own)
    assert how_to_pair.shown() == ""


@pytest.mark.parametrize(
    "broken",
    [
        "{",
        "[]",
        '{"code": 1234}',
        '{"code": "12345", "addresses": ["http://10.0.0.1/"]}',
        '{"code": "1234"}',
        '{"code": "1234", "addresses": "http://x/"}',
        '{"code": "1234", "addresses": ["http://[/"]}',
        '{"code": "one two three", "addresses": ["http://10.0.0.1/"]}',
        '{"code": "1234", "addresses": ["http://it reads 7.25 psi/"]}',
        "[" * 100_000,
    ],
)
def test_a_file_that_is_none_of_the_boards_tells_nothing(own: Path, broken: str) -> None:
    own.mkdir()
    (own / pairing.CODE).write_text(broken)
    assert how_to_pair.shown() == how_to_pair.said() == ""


def test_only_an_address_is_told_whatever_the_file_says(own: Path) -> None:
    own.mkdir()
    (own / pairing.CODE).write_text(json.dumps({"code": "1234", "addresses": ["http://10.0.0.1:80/Read 7.25 psi.?x#y"]}))
    assert how_to_pair.shown() == "Phones of the crew: http://10.0.0.1:80/ code 1234" and "psi" not in how_to_pair.said()


def test_the_screen_has_it_once_and_again_when_it_changes(own: Path, tmp_path: Path) -> None:
    lines: list[str] = []
    publisher = Publisher(tmp_path / "published", trouble=lines.append)
    first = pairing.new_code(own, [URL])
    for _ in range(3):
        publisher._pairing()
    assert len(lines) == 1 and first in lines[0]
    while (second := pairing.new_code(own)) == first:
        pass
    publisher._pairing()
    pairing.forget_code(own)
    publisher._pairing()
    assert len(lines) == 2 and second in lines[1]


class Asking(Bench):
    """He presses D for the time wherever he is asked, once at each question, and then goes on."""

    def answer(self, prompt: str, phase: Phase) -> None:
        if prompt not in self.asked:
            self.asked.append(prompt)
            self.live.key("D")
        else:
            super().answer(prompt, phase)


def test_it_is_said_at_the_first_question_and_nowhere_else(own: Path, tmp_path: Path) -> None:
    code = pairing.new_code(own, [URL])
    with Journal(tmp_path / "journal") as journal:
        bench = Asking(journal, at_once)
        bench.asked: list[str] = []
        bench.live.pairing = how_to_pair.said
        bench.run(until="leak.initial")
    said = [text for ident, text in bench.speaker.said if ident == "pairing"]
    assert said == [how_to_pair.said()] and ", ".join(code) in said[0] and len(bench.asked) > 2
