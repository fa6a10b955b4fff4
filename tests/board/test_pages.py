"""The pages as HTML: every text is shown and none is markup; a clock is an end on the boot clock; nothing needs colour."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import pytest

from assistant.board import drawings, pages
from assistant.board.markup import Html, el
from assistant.board.published import Snapshot
from tests.board import publisher

NASTY = "<b id=x onclick=go()>&amp;\"'</script><!--"
VOID = ("meta", "link", "input", "br")


class Parsed(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text, self.open = "", []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def marked(data: Any) -> Any:
    """Every text of it with markup in it, but for those that are read as numbers."""
    if isinstance(data, dict):
        return {key: value if key in ("points", "lower", "upper", "target") else marked(value) for key, value in data.items()}
    if isinstance(data, list):
        return [marked(value) for value in data]
    return data + NASTY if isinstance(data, str) else data


def every() -> Iterator[tuple[str, str]]:
    shown = Snapshot("1", publisher.now(verdict=publisher.PASSED), publisher.day(), "Hold.")
    nasty = Snapshot("1", marked(shown.now), marked(shown.day), f"Hold.{NASTY}")
    for name, of in (("plain", shown), ("nasty", nasty), ("nothing", Snapshot())):
        yield f"now {name}", pages.live("now", of, 5.0, str(of.now.get("station", "")))
        yield f"day {name}", pages.live("day", of, 5.0, str(of.now.get("station", "")))
    yield "test", pages.test(publisher.one_test(2), publisher.day()["tests"][1])
    yield "test nasty", pages.test(marked(publisher.one_test(2)), {})
    yield "pair", pages.pair("No.")
    yield "only", pages.only(NASTY)


@pytest.mark.parametrize(("name", "html"), list(every()), ids=lambda value: value if len(value) < 20 else "")
def test_every_text_is_shown_and_none_is_markup(name: str, html: str) -> None:
    parsed = Parsed(html)
    assert parsed.open == []
    allowed = ("class", "id", "href", "rel", "charset", "content", "name", "lang", "type", "role", "for", "method", "action")
    for tag, attributes in parsed.tags:
        assert tag != "b" and tag != "style" and not any(key.startswith("on") or key == "style" for key in attributes), (
            tag,
            attributes,
        )
        assert all(NASTY not in (attributes.get(key) or "") for key in allowed if key != "content"), (tag, attributes)
        assert tag != "script" or attributes == {"src": "/static/board.js", "defer": None}
    assert ("nasty" not in name and name != "only") or NASTY in parsed.text


def test_nothing_is_loaded_from_elsewhere() -> None:
    for _, html in every():
        for _, attributes in Parsed(html).tags:
            for key in ("src", "href", "action"):
                assert (attributes.get(key) or "/").startswith("/") and not (attributes.get(key) or "/").startswith("//")


def test_a_clock_is_its_end_on_the_boot_clock() -> None:
    shown = Snapshot("1", publisher.now(at=1000.0, clock={"name": "Leak hold", "left_s": 231.4, "of_s": 300.0}))
    assert 'data-ends="1231.4"' in pages.now(shown)["clock"] and "3:" not in pages.now(shown)["clock"]
    assert ">3:00<" in pages.now(shown, at=1051.5)["clock"], "without script: what was left when it was loaded, rounded up"


@pytest.mark.parametrize(
    ("left", "words"), [(0, "0:00"), (-5, "0:00"), (0.2, "0:01"), (59.01, "1:00"), (231.4, "3:52"), (3600, "1:00:00")]
)
def test_a_clock_that_shows_nothing_is_over(left: float, words: str) -> None:
    assert pages.clock_words(left) == words


def test_what_a_colour_tells_a_word_tells_too() -> None:
    regions = pages.now(Snapshot("1", publisher.now(verdict=publisher.PASSED), publisher.day()))
    assert "Verdict: PASS" in regions["verdict"] and ">late<" in regions["round"]
    assert all(word in regions["steps"] for word in (">done<", ">now<"))


def test_only_step_caution_and_verdict_are_in_live_regions() -> None:
    shown = Snapshot("1", publisher.now(verdict=publisher.PASSED), publisher.day(), "Hold.")
    parsed = Parsed(pages.live("now", shown, 5.0, ""))
    assert [attributes["id"] for _, attributes in parsed.tags if attributes.get("role") in ("status", "alert", "log")] == [
        "said",
        "warned",
    ]
    assert not [tag for tag, attributes in parsed.tags if attributes.get("aria-live", "off") != "off"]
    assert Parsed(pages.now(shown)["said"]).text == f"Hold.Verdict: PASS. {publisher.PASSED['why']}"


def test_a_curve_that_has_hardly_begun_is_none() -> None:
    for points in ([], [[0, 45.2]]):
        assert pages.now(Snapshot("1", publisher.now(curve={"unit": "psi", "points": points})))["curve"] == ""


def test_attributes_and_children() -> None:
    assert el("p", "a<", None, "", ["b", el("br")], data_x='"', hidden=True, id=None, class_="c") == (
        '<p data-x="&quot;" hidden class="c">a&lt;b<br></p>'
    )
    assert isinstance(el("p"), Html)


def test_without_script_too_what_is_old_is_said_to_be() -> None:
    shown = Snapshot("1", publisher.now(at=1000.0))
    old, fresh = (pages.live("now", shown, at, "") for at in (1000.0 + pages.SILENT_S, 1001.0))
    assert "No word from the station for 12 s" in old and 'class="stale"' in old
    assert "No word from the station" not in fresh.partition("<main>")[2] and 'class="stale"' not in fresh


def test_the_verdict_says_of_which_test_it_is() -> None:
    """Between two tests of a round it stands above the next one's question."""
    regions = pages.now(Snapshot("1", publisher.now(verdict={**publisher.PASSED, "of": "Slump test"})))
    assert "Slump test" in regions["verdict"] and "Slump test" in regions["said"]


def test_a_clock_that_has_not_begun_does_not_run() -> None:
    clock = {"name": "Slump", "left_s": None, "late": False, "done": False}
    assert ">to do<" in pages.now(Snapshot("1", publisher.now(round=[clock])))["round"]
    assert ">now<" in pages.now(Snapshot("1", publisher.now(round=[{**clock, "now": True}])))["round"], "begun, and not done"


def test_the_days_tests_say_of_which_day() -> None:
    """In the morning they are still yesterday's."""
    shown = Snapshot("1", publisher.now(), publisher.day())
    assert "Tests of 2026-11-29: 3" in pages.day(shown)["date"] and "Tests of 2026-11-29: 3" in pages.now(shown)["day-link"]
    assert "Tests of" not in pages.day(Snapshot("1", publisher.now(), {}))["date"]


def test_no_name_of_a_limit_lies_over_the_newest_point() -> None:
    """A chart's last point is the one that matters: a name stands where its line is free."""
    drawn = drawings.chart([("1", 3.7), ("2", 4.0), ("3", 5.1)], [(3.0, "lower limit 3"), (5.0, "upper limit 5")], "")
    assert re.findall(r'class="(named[^"]*)">(\w+)', drawn) == [("named", "lower"), ("named first", "upper")]


def test_between_two_tests_there_are_no_steps_and_no_readings() -> None:
    regions = pages.now(Snapshot("1", publisher.now(step=0, steps=0, stages=[], readings=[])))
    assert regions["steps"] == regions["readings"] == ""
