from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.board import publisher
from tests.board.phone import Board, Phone


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    publisher.whole(tmp_path / "published")
    running = Board(tmp_path / "published", tmp_path / "own")
    yield running
    running.stop()


@pytest.fixture
def phone(board: Board) -> Phone:
    return Phone(board).pair()
