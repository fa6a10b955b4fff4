"""The pages in Debian's Chromium and Firefox: paired by keyboard alone, live, read out without chatter, at every width."""

from __future__ import annotations

import os
import re
import socket
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from assistant.board.hub import Hub
from hardware.clock import boot_now
from tests.board import browser, publisher
from tests.board.browser import Browser
from tests.board.phone import Board, Phone

AXE = Path(os.environ.get("AXE_CORE") or str(files("axe_core_python") / "axe.min.js"))
RULES = "{runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}}"
ENTER, TAB = "\ue007", "\ue004"
WIDTHS = ((320, 640), (390, 844), (768, 1024), (1920, 1080))
PATHS = ("/", "/day", "/test/2")


@pytest.fixture(scope="module", params=["chromium", "firefox"])
def window(request: pytest.FixtureRequest) -> Iterator[Browser]:
    if request.param not in browser.here():
        pytest.skip(f"no {request.param} here")
    with browser.started(request.param) as found:
        yield found


@pytest.fixture
def page(window: Browser, board: Board) -> Browser:
    """Paired, at what happens now."""
    window.size(390, 844)
    pair(window, board.url, board)
    return window


def pair(page: Browser, url: str, board: Board) -> None:
    """By keys alone: the field has the focus."""
    page.open(f"{url}/")
    page.until("document.activeElement.id == 'code'")
    page.press(*board.code, ENTER)
    live(page)


def live(page: Browser) -> None:
    """Its script has heard from the board."""
    page.until("document.readyState == 'complete' && typeof shown != 'undefined' && shown.size > 0")


def text(page: Browser, place: str = "#do") -> str:
    return str(page.js(f"document.querySelector('{place}').innerText"))


def test_pair_by_keyboard_see_the_hold_and_the_verdict(page: Browser, board: Board) -> None:
    assert "Hold. Do not touch the meter." in text(page)
    assert page.js("document.querySelector('#curve svg polyline').getAttribute('points').split(' ').length") == 34
    publisher.put(
        board.folder, "now.json", publisher.now(2, clock=None, curve=None, verdict=publisher.PASSED, step=58, do="Wash the bowl.")
    )
    page.until("document.querySelector('#verdict').innerText.includes('Verdict: PASS')")
    assert "5.7 %" in text(page, "#verdict") and "Wash" in text(page) and text(page, "#clock") == text(page, "#curve") == ""


def test_every_page_is_reached_by_keys_alone(page: Browser, board: Board) -> None:
    for path, presses in (("/day", 2), ("/test/3", 3)):
        page.press(*[TAB] * presses, ENTER)
        page.until(f"location.pathname == '{path}'")
        page.until("document.readyState == 'complete'")
    assert page.js("getComputedStyle(document.querySelector('a')).outlineStyle != null")


def test_the_clock_is_what_is_left(page: Browser, board: Board) -> None:
    now = publisher.now(2, clock={"name": "Leak hold", "left_s": 100.0, "of_s": 300.0})
    publisher.put(board.folder, "now.json", now)
    page.until("document.querySelector('.big').innerText.startsWith('1:')")
    before = 100.0 - (boot_now() - now["at"])
    minutes, seconds = text(page, ".big").split(":")
    after = 100.0 - (boot_now() - now["at"])
    assert after - 1.1 <= int(minutes) * 60 + int(seconds) <= before + 1.1
    assert page.js("getComputedStyle(document.querySelector('.big')).fontSize.replace('px', '') / innerWidth") > 0.25, (
        "a slab away"
    )


def test_silence_of_the_station_is_said(page: Browser, board: Board) -> None:
    assert page.js("document.querySelector('#silent').hidden")
    publisher.put(board.folder, "now.json", publisher.now(2, at=boot_now() - 60))
    page.until("document.querySelector('#silent').innerText.startsWith('No word from the station for 6')")
    for clock in ("#clock", "#round .left"):
        assert page.js(f"getComputedStyle(document.querySelector('{clock}')).textDecorationLine") == "line-through"
    publisher.put(board.folder, "now.json", publisher.now(3))
    page.until("document.querySelector('#silent').hidden")


def test_it_comes_back_when_the_board_was_killed(window: Browser, tmp_path: Path) -> None:
    publisher.whole(tmp_path / "published")
    board = Board(tmp_path / "published", tmp_path / "own")
    try:
        pair(window, board.url, board)
    finally:
        board.stop()
    publisher.put(tmp_path / "published", "now.json", publisher.now(2, do="Said while it was gone."))
    board = Board(tmp_path / "published", tmp_path / "own", board.port)
    try:
        window.until("document.querySelector('#do').innerText.includes('while it was gone')")
        publisher.put(tmp_path / "published", "now.json", publisher.now(1, run="another", do="Another station."))
        window.until("document.querySelector('#do').innerText.includes('Another station')")
    finally:
        window.open("about:blank")
        board.stop()


def test_a_board_that_is_gone_does_not_hide_for_how_long(window: Browser, tmp_path: Path) -> None:
    """It tries again all the time, and says beside it how old the page is."""
    publisher.whole(tmp_path / "published")
    board = Board(tmp_path / "published", tmp_path / "own")
    try:
        pair(window, board.url, board)
    finally:
        board.stop()
    window.js("(ahead -= 60, asked -= 5, heard = asked - 1, tick())")
    assert re.match(r"No word from the station for 6\d s\..* Connecting again\.$", text(window, "#silent")), text(window, "#silent")
    window.open("about:blank")


def test_a_phone_that_wakes_shows_no_old_clock_as_if_it_ran(page: Browser) -> None:
    """Its own clock may have stood still: until it has heard, what is there is old. An interval that came late tells the sleep."""
    told = page.js("(before -= 60_000, listen(), tick(), [document.body.className, document.querySelector('#silent').innerText])")
    assert told == ["stale", "Connecting again."]
    page.until("document.querySelector('#silent').hidden")


def test_it_asks_anew_when_it_comes_to_the_front(page: Browser, board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    of_hub = Hub.messages
    monkeypatch.setattr(Hub, "messages", lambda self, *args: (asked.append(args[0]), of_hub(self, *args))[1])
    page.js("document.dispatchEvent(new Event('visibilitychange'))")
    page.until("heard > asked")
    assert asked == ["now"]


def test_only_step_caution_and_verdict_are_read_out(page: Browser, board: Board) -> None:
    page.js("""(() => {
        window.read = [];
        for (const place of document.querySelectorAll("[role=status], [role=alert]"))
            new MutationObserver(() => window.read.push(place.innerText)).observe(
                place, {childList: true, subtree: true, characterData: true});
    })()""")

    def told(seq: int, **changes: Any) -> None:
        publisher.put(board.folder, "now.json", publisher.now(seq, next=f"After {seq}.", **changes))
        page.until(f"document.querySelector('#do').innerText.includes('After {seq}.')")

    for seq in range(2, 8):
        told(seq, do=f"Over by 0.{seq}.", readings=publisher.now()["readings"][: seq % 2], clock=None)
    page.js("listen()")
    page.until("heard > asked")
    assert page.js("window.read") == [], "within a step, and when it asks anew"
    told(8, step=13, do="Tap.")
    told(9, step=13, do="Tap more.")
    told(10, step=13, caution="Another caution.")
    told(11, step=13, caution="Another caution.", verdict=publisher.PASSED)
    read = page.js("window.read")
    assert [words.split("\n")[0] for words in read] == ["Tap.", "Caution: Another caution.", "Tap."] and "Verdict: PASS" in read[
        2
    ]


def test_a_label_with_markup_in_it_is_a_label(page: Browser, board: Board) -> None:
    nasty = "<img src=x onerror='window.hacked=1'><script>window.hacked=1</script>"
    publisher.put(
        board.folder,
        "now.json",
        publisher.now(2, station=nasty, title=nasty, do=nasty, caution=nasty, stages=[{"name": nasty, "now": True}]),
    )
    page.until("document.querySelector('#do').innerText.includes('onerror')")
    page.open(f"{board.url}/")
    live(page)
    assert page.js("document.querySelectorAll('main img, main script').length") == 0 and page.js("window.hacked") is None
    page.js("document.body.append(Object.assign(document.createElement('script'), {textContent: 'window.hacked = 1'}))")
    page.js(
        "document.body.append(Object.assign(document.createElement('script'), {src: 'data:text/javascript,window.hacked=1'}))"
    )
    assert page.js("new Promise(done => setTimeout(() => done(window.hacked), 100))") is None, (
        "the policy lets no other script run"
    )


@pytest.mark.parametrize("path", PATHS)
def test_no_width_is_too_narrow(page: Browser, board: Board, path: str, tmp_path: Path) -> None:
    long = "Unterbrechungsfreieluftporenkennwertbestimmung"
    publisher.put(
        board.folder,
        "now.json",
        publisher.now(2, title=long, verdict=publisher.PASSED, clock={"name": long, "left_s": 3700, "of_s": 4000}),
    )
    for size in WIDTHS:
        page.size(*size)
        page.open(f"{board.url}{path}")
        assert page.js("document.documentElement.scrollWidth <= innerWidth"), (path, size)
        assert page.js(
            "document.readyState == 'complete' && "
            "[...document.querySelectorAll('.big')].every(one => one.scrollWidth <= innerWidth)"
        )
        page.picture(tmp_path / "page.png")
        assert (tmp_path / "page.png").stat().st_size > 5000


def violations(page: Browser) -> list[Any]:
    page.do("script.evaluate", expression=AXE.read_text(encoding="utf-8"), target={"context": page.tab}, awaitPromise=False)
    return list(
        page.js(
            f"axe.run(document, {RULES}).then(told => told.violations.map(one => [one.id, one.nodes.map(node => node.html)]))"
        )
    )


def no_violation(page: Browser, board: Board) -> None:
    publisher.put(board.folder, "now.json", publisher.now(2, verdict=publisher.PASSED))
    for path in (*PATHS, "/pair", "/nothing"):
        page.open(f"{board.url}{path}")
        assert violations(page) == [], path
    publisher.put(
        board.folder, "now.json", publisher.now(3, at=boot_now() - 60, state="off", verdict={"word": "FAIL", "why": "x"})
    )
    page.open(f"{board.url}/")
    page.until("!document.querySelector('#silent').hidden")
    assert violations(page) == []


def test_the_rules_of_accessibility_hold(page: Browser, board: Board) -> None:
    """axe-core, WCAG 2.2 A and AA and its best practices: what a program can find; contrast among it."""
    no_violation(page, board)


def test_the_rules_would_find_something(page: Browser, board: Board) -> None:
    page.js("document.querySelector('.of').style.color = '#eee'")
    assert [rule for rule, _ in violations(page)] == ["color-contrast"]


@pytest.mark.parametrize("name", ["chromium", "firefox"])
def test_light_on_dark_too(name: str, board: Board) -> None:
    if name not in browser.here():
        pytest.skip(f"no {name} here")
    with browser.started(name, dark=True) as page:
        pair(page, board.url, board)
        assert page.js("getComputedStyle(document.documentElement).backgroundColor") == "rgb(0, 0, 0)"
        no_violation(page, board)


@pytest.mark.skipif("chromium" not in browser.here(), reason="no chromium here")
def test_it_says_where_the_screen_cant_be_kept_on(board: Board) -> None:
    """By number over a network the connection is not secure, and no browser keeps the screen on; 127.0.0.1 counts as secure."""
    name = f"{socket.gethostname()}.local"
    with browser.started("chromium", more=[f"--host-resolver-rules=MAP {name} 127.0.0.1"]) as page:
        pair(page, f"http://{name}:{board.port}", board)
        page.until(
            "document.querySelector('#screen').innerText.startsWith('This browser does not let the page keep the screen on')"
        )
        pair(page, board.url, board)
        page.until("document.querySelector('#screen').innerText.startsWith('The screen stays on')")


@pytest.mark.skipif("firefox" not in browser.here(), reason="no firefox here")
def test_without_script_it_loads_again_by_itself(board: Board, phone: Phone) -> None:
    with browser.started("firefox", prefs={"javascript.enabled": False}) as page:
        page.do(
            "storage.setCookie",
            cookie={"name": "board", "value": {"type": "string", "value": phone.cookie}, "domain": "127.0.0.1"},
        )
        page.open(f"{board.url}/")

        def words() -> str:
            return str(
                page.do(
                    "browsingContext.locateNodes",
                    context=page.tab,
                    locator={"type": "css", "value": "#do, .big, footer"},
                    serializationOptions={"maxDomDepth": 5},
                )
            )

        limit = boot_now() + 60
        while "Hold. Do not touch the meter." not in words():
            assert boot_now() < limit, words()
        assert re.search(r"'[0-3]:\d\d'", words()) and "loads again by itself" in words()
        publisher.put(board.folder, "now.json", publisher.now(2, do="Another."))
        limit = boot_now() + 60
        while "Another." not in words():
            assert boot_now() < limit, "it does not load again"


def test_nothing_moves() -> None:
    """Whoever wants less motion has none to switch off."""
    css = (Path(__file__).parents[2] / "assistant/board/static/board.css").read_text(encoding="utf-8")
    assert not any(word in css for word in ("animation", "transition", "@keyframes", "scroll-behavior", "@import", "url("))
