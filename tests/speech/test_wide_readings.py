"""Degrees Fahrenheit, masses and counts are heard by the ear as it ships; espeak-ng says them."""
from __future__ import annotations

import shutil
import subprocess
from decimal import Decimal as D
from pathlib import Path

import pytest

from assistant.core.expect import Expect
from models.ear import Ear, open_ear
from models.wav import read

pytestmark = [pytest.mark.audio, pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="the command espeak-ng is missing")]

FAHRENHEIT = Expect("reading", D(32), D(120), 0, (D(40), D(100)))
MASS = Expect("reading", D("18.6"), D(999), 1, (D("53.6"), D("56.1")))
LARGE = Expect("reading", D("18.6"), D(999), 1, (D(140), D(160)))
COUNT = Expect("reading", D(1), D(24), 0, (D(2), D(12)))


@pytest.fixture(scope="module")
def ear() -> Ear:
    return open_ear()


@pytest.mark.parametrize("expect, words, value", [
    (FAHRENHEIT, "seventy two", "72"), (FAHRENHEIT, "eight four", "84"), (FAHRENHEIT, "sixty three", "63"),
    (MASS, "fifty four point one", "54.1"), (MASS, "ninety one point one", "91.1"), (LARGE, "one four five point two", "145.2"),
    (COUNT, "four", "4"), (COUNT, "twelve", "12"),
])
def test_heard(ear: Ear, tmp_path: Path, expect: Expect, words: str, value: str) -> None:
    """In the grammar of pressures 91.1 was heard as 19.1."""
    subprocess.run(["espeak-ng", "-v", "en-us", "-w", str(tmp_path / "said.wav"), words], check=True)
    heard = ear.understand(*read(tmp_path / "said.wav"), expect)
    assert (heard.accepted, heard.value) == (True, value), heard
