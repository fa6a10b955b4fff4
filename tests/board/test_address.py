"""How a phone gets there: the QR codes are read back by another program (zxing), the addresses held against the system's."""

from __future__ import annotations

import json
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from PIL import Image

from assistant.board import address, card
from tests.board import browser

URL = "http://192.168.4.1:8080/"


def seen(picture: np.ndarray) -> list[str]:
    return [code.text for code in zxingcpp.read_barcodes(np.kron(picture, np.ones((4, 4), np.uint8)))]


def of_rows(rows: list[list[bool]]) -> np.ndarray:
    return np.where(np.array(rows), 0, 255).astype(np.uint8)


def of_text(text: str) -> np.ndarray:
    """What a terminal with light letters on dark shows."""
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    lines = text.split("\n")
    return np.array([[halves[letter][half] for letter in line] for line in lines for half in (0, 1)], np.uint8)


@pytest.mark.parametrize(
    "text", [URL, "http://[fe80::1]:8080/", address.wifi("bowlside-board", "abcdefgh2345"), address.wifi('a;b:c\\"', 'p;q"')]
)
def test_what_is_drawn_is_what_a_camera_reads(text: str) -> None:
    assert seen(of_rows(address.qr_rows(text))) == [text]
    assert seen(of_text(address.qr_text(text))) == [text]
    assert seen(255 - of_text(address.qr_text(text))) == [text], (
        "a terminal that is dark on light: cameras read it turned round too"
    )


def test_a_network_to_join_is_said_as_cameras_take_it() -> None:
    """ "WIFI:T:WPA;S:name;P:password;;" with \\ before ; , : \\ and ": the de facto form, from memory."""
    assert address.wifi("site", "secret12") == "WIFI:T:WPA;S:site;P:secret12;;"
    assert "S:a\\;b" in address.wifi("a;b", "x") and "T:" not in address.wifi("open", "")


@pytest.mark.skipif(shutil.which("ip") is None, reason="no ip of iproute2 here")
def test_own_addresses_are_those_of_the_system() -> None:
    told = json.loads(subprocess.run(["ip", "-json", "-4", "address"], capture_output=True, check=True).stdout)
    of_cards = [{found["local"] for found in card["addr_info"]} for card in told]
    own = address.own_addresses()
    assert not any(number.startswith("127.") for number in own)
    for numbers in of_cards:
        assert not numbers or numbers & {*own, "127.0.0.1"}, "each card with an address has one of them told"
    assert set(own) <= set().union(*of_cards)


@pytest.mark.parametrize(
    ("where", "port", "wanted"),
    [
        ("192.168.4.1", 8080, ["http://192.168.4.1:8080/"]),
        ("192.168.4.1", 80, ["http://192.168.4.1/"]),
        ("::1", 8080, ["http://[::1]:8080/"]),
    ],
)
def test_an_address_is_a_number_to_type(where: str, port: int, wanted: list[str]) -> None:
    assert address.urls(where, port) == wanted


def test_listening_everywhere_tells_every_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(address, "own_addresses", lambda: ["10.0.0.5", "192.168.4.1"])
    assert address.urls("0.0.0.0", 80) == ["http://10.0.0.5/", "http://192.168.4.1/"]
    monkeypatch.setattr(address, "own_addresses", list)
    assert address.urls("0.0.0.0", 80) == ["http://127.0.0.1/"]


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_the_card_is_read_by_a_camera(tmp_path: Path) -> None:
    """As a browser draws it: both codes, and the card of the keys above them."""
    card.write(tmp_path / "card.svg", URL, 'site "2"; <b>', "secret;12")
    assert ElementTree.fromstring((tmp_path / "card.svg").read_text(encoding="utf-8")).tag.endswith("svg")
    with browser.started("chromium") as page:
        page.size(1000, 1414)
        page.open((tmp_path / "card.svg").as_uri())
        page.picture(tmp_path / "card.png")
    drawn = np.asarray(Image.open(tmp_path / "card.png").convert("L"))
    assert {code.text for code in zxingcpp.read_barcodes(np.ascontiguousarray(drawn))} == {
        URL,
        address.wifi('site "2"; <b>', "secret;12"),
    }
    words = "".join(ElementTree.parse(tmp_path / "card.svg").getroot().itertext())
    assert URL in words and "secret;12" in words and 'site "2"; <b>' in words and "TERMINAL" in words.upper()
