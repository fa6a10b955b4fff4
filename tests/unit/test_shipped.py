"""The speech model that ships: whole, of the size and the checksum that are told of it, and in every installed copy."""
from __future__ import annotations

import hashlib
from pathlib import Path

from models import fetch, locate

ROOT = Path(__file__).resolve().parents[2]
LARGEST_MB = 10
FILES = [path.relative_to(locate.SHIPPED.parent).as_posix() for path in locate.SHIPPED.rglob("*") if path.is_file()]


def test_the_network_is_the_one_that_the_manifest_names():
    found = hashlib.sha256((locate.SHIPPED / locate.NETWORK).read_bytes()).hexdigest()
    assert fetch.manifest()["own"]["sha256"] == found, (
        f'models/own has another network than models/manifest.toml says. If it was replaced on purpose, write sha256 = "{found}" '
        "under [own] there, and its results in models/own/CARD.md.")


def test_the_model_of_people_is_whole_with_its_card_and_who_spoke():
    folder = locate.PEOPLE
    assert {"CARD.md", "corpus.json", "encoder.npz", "lexicon.txt", "talk.npy"} == {path.name for path in folder.iterdir()}
    assert round((folder / "encoder.npz").stat().st_size / 1e6) == fetch.manifest()["people"]["size_mb"]
    card = (folder / "CARD.md").read_text("utf-8")
    for line in ("Pete Warden", "CC BY 4.0", "speechocean762", "Copyright (c) 1991-2005 Carnegie Mellon University", "OpenAI"):
        assert line in card


def test_it_is_small_and_its_size_is_told():
    size_mb = sum((locate.SHIPPED.parent / name).stat().st_size for name in FILES) / 1e6
    assert size_mb <= LARGEST_MB and round(size_mb) == fetch.manifest()["own"]["size_mb"]


def test_it_is_a_folder_that_vosk_loads_with_card_lexicon_and_who_spoke():
    assert locate.is_model(locate.SHIPPED)
    assert {"own/CARD.md", "own/corpus.json", "own/lexicon.txt", "own/conf/fbank.conf", "own/graph/words.txt"} <= set(FILES)


def test_what_has_no_address_comes_with_the_station_and_all_else_can_be_fetched():
    addresses = {short: model["url"] for short, model in fetch.manifest().items()}
    assert addresses.pop("own") == addresses.pop("people") == addresses.pop("bundled-english") == "" and all(addresses.values())
