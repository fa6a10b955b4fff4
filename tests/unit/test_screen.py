"""The screen: what the layout says at every size, and the painter on real terminals (a pty, and tmux)."""

import fcntl
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.core.language import sentence
from assistant.station.big_digits import big, big_width
from assistant.station.layout import View, layout
from assistant.station.practice_keys import PRACTICE_KEYS
from assistant.station.screen import Screen, ScreenError
from assistant.station.view import of
from hardware.terminal import KEYS as terminal_keys
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import to_run_1

ROOT = Path(__file__).parents[2]

CHARGE = View(
    title="Sequential test, run 1, step 2", progress="step 12 of 58",
    do="Charge to 30.00. Pump, let it settle, trim. Then say or key what the gauge shows.",
    caution="Check every clamp before 30 psi.", last="E1.1 7.25 psi", heard="seven point two five",
    listens="a reading, say again, take it back", status="PRACTICE, no concrete", gauge="29.43 psi",
    keys="0-9 . Enter  a say again  b back  c no  d time left  A pause  C scrap  q leave",
    messages=("E1.1 taken: 7.25 psi",))
HOLD = View(title="Leak hold", do="Hold. Don't touch the meter.", clock_s=271.3, clock_label="hold",
            gauge="45.20 psi", last="45.21 psi")


def text(view: View, width: int = 80, height: int = 24, plain: bool = False) -> str:
    return "\n".join(layout(view, width, height, plain))


def shows_big(screen: str, number: str, scale: int = 1, ink: str = "█") -> bool:
    """The five rows of the number stand under each other somewhere."""
    lines = screen.split("\n")
    rows = [row.rstrip().replace("█", ink) for row in big(number, scale)]
    return any(all(column >= 0 and lines[top + at][column:].startswith(row) for at, row in enumerate(rows))
               for top in range(len(lines) - len(rows) + 1)
               for column in range(len(lines[top])))


# -- what is said ----------------------------------------------------------------------------------------

def test_what_to_do_stands_on_top_as_it_is_written():
    lines = layout(CHARGE, 80, 24)
    assert lines[0].startswith(" SEQUENTIAL TEST, RUN 1, STEP 2") and lines[0].endswith("step 12 of 58")
    assert lines[3] == " ┃ Charge to 30.00. Pump, let it settle, trim. Then say or key what the gauge"
    assert lines[4] == " ┃ shows."


@pytest.mark.parametrize("width, height", [(80, 24), (120, 40)])
def test_everything_fits(width, height):
    screen = text(CHARGE, width, height)
    for words in ("!! Check every clamp before 30 psi. !!", "SIMULATED GAUGE  psi", "LAST READING  E1.1 7.25 psi",
                  "HEARD:  seven point two five", "SAY OR KEY:  a reading, say again, take it back",
                  "E1.1 taken: 7.25 psi", "PRACTICE", "q leave"):
        assert words in screen
    assert shows_big(screen, "29.43", 1 if width == 80 else 2) and not shows_big(screen, "7.25"), "a gauge is no reading"
    assert shows_big(text(replace(CHARGE, gauge=None), width, height), "7.25", 1 if width == 80 else 2)


def test_the_clock_is_big_and_named():
    screen = text(HOLD)
    assert "■ HOLD" in screen and shows_big(screen, "4:32") and shows_big(screen, "45.20")
    assert "NOT LISTENING" in screen
    assert shows_big(text(HOLD, 120, 40), "4:32", 2)


@pytest.mark.parametrize("seconds, shown", [
    (300, "5:00"), (299.01, "5:00"), (10, "0:10"), (0.2, "0:01"), (0, "0:00"), (-3, "0:00"), (3600, "60:00")])
def test_zero_on_the_clock_means_over(seconds, shown):
    assert shows_big(text(View(clock_s=seconds)), shown)


def test_typed_digits_take_the_place_of_the_last_reading():
    screen = text(replace(CHARGE, typed="29*9"))
    assert "▶ TYPED" in screen and shows_big(screen, "29.9_") and "LAST READING" not in screen


def test_digits_stay_where_they_are_while_words_come_and_go():
    def row_of_digits(view: View) -> int:
        return next(at for at, line in enumerate(layout(view, 80, 24)) if "██" in line)

    rows = {row_of_digits(replace(HOLD, heard=heard, messages=messages, caution=caution))
            for heard in ("", "pause") for messages in ((), ("a",), ("a", "b", "c"))
            for caution in ("", "Stand clear.")}
    assert len(rows) == 1


@pytest.mark.parametrize("last", ["4 1/4 in.", "4.5-7.5 %", "run 1 of 2", "none yet"])
def test_what_is_not_one_number_is_never_drawn_as_one(last):
    screen = text(View(last=last))
    assert "█" not in screen and f"LAST READING  {last}" in screen


def test_a_long_remark_is_readable_to_its_end():
    danger = ("DANGER: the bowl still holds 31.8 psi, the lid would be thrown and caustic water sprayed. "
              "Release the lever and let the bowl down first.")
    assert "let the bowl down first." in text(replace(CHARGE, messages=("one", "two", danger)))


def test_an_older_remark_is_cut_at_its_end_never_at_its_beginning():
    older = "Going on at run 1, step 1. The chamber and the bowl may still be under pressure. Was it let down, scrap the test."
    screen = text(replace(CHARGE, messages=(older, "No microphone opens.")))
    assert "· Going on at run 1, step 1. The chamber and the bowl may" in screen and "· No microphone opens." in screen


FLOOD = View(
    title="Sequential test, flooding, run 1", progress="step 26 of 84", status="PRACTICE, nothing counts.", gauge="0.00 psi",
    do="Water of the concrete's temperature, meter in the shade. Flood: water in at one petcock, tilt the meter to free the air.",
    hint="Key w is one filling of water. Leave the petcocks open.", listens="next", meter="METER: lever released, petcocks closed, lid on",
    keys=PRACTICE_KEYS, keys_short=sentence("screen.keys_short"))


def test_what_a_device_reports_all_the_time_takes_no_room_from_the_step():
    """Seen at 40 x 15 without a microphone: the hint, the mark of practice and half of the legend were gone, step by step."""
    notice = "No microphone opens (none was found): connect one, or use the keypad."
    screen = text(replace(FLOOD, notices=(notice,)), 40, 15)
    for whole in ("Leave\n   the petcocks open.", "PRACTICE, nothing counts.", "petcocks closed, lid on", "S scrap  q leave", "RUN 1"):
        assert whole in screen, screen
    assert notice in text(replace(FLOOD, notices=(notice,)))
    assert notice in text(replace(FLOOD, notices=(notice,), messages=("Not taken.",)))


def test_where_there_is_no_room_a_row_of_the_table_stays_before_its_head():
    """"step 1" alone says nothing."""
    table = ("          step 1", "Charge 1   14.51")
    wait = replace(FLOOD, table=table, last="14.51 psi  start pressure, run 1, step 1", clock_s=2.0, hint="Hands still, lever held.")
    for height in range(10, 25):
        screen = text(wait, 40, height)
        assert table[1] in screen or table[0] not in screen, screen
    assert table[0] in text(wait)


def test_the_help_of_practice_is_whole_in_an_ordinary_window():
    assert "q leave" in text(replace(CHARGE, keys=PRACTICE_KEYS))


def test_what_makes_a_scrapped_test_safe_is_read_to_its_end(tmp_path: Path):
    scrapped = to_run_1(Dialogue(tmp_path)).hear("scrap the test").hear("yes").state
    assert scrapped.outcome == "scrapped"
    shown = text(of(scrapped, 0.0, gauge="45.00 psi", status="PRACTICE", keys=PRACTICE_KEYS))
    assert "touch a clamp" in shown and "!! The chamber and the bowl may still be under pressure. !!" in shown


@pytest.mark.parametrize("title", ["Slump test, getting ready", "7 seconds since the last portion, the round"])
@pytest.mark.parametrize("width, height", [(40, 15), (80, 24), (100, 30)])
def test_the_clock_of_a_round_is_seen_in_every_window(title: str, width: int, height: int):
    clock = "4 minutes 38 left to begin slump, density and air."
    lines = layout(replace(CHARGE, title=title, deadline=clock, progress="step 10 of 13"), width, height)
    assert clock in " ".join(line.strip() for line in lines)
    assert lines[0].strip() in (title.upper(), title.upper().partition(", ")[2]) or lines[0].endswith("   step 10 of 13")


def test_where_the_title_is_too_long_the_stage_is_what_stays():
    view = View(title="Sequential pressure test, run 1, step 2", progress="step 12 of 58")
    assert layout(view, 40, 15)[0].split() == ["RUN", "1,", "STEP", "2", "step", "12", "of", "58"]


def test_a_small_window_keeps_what_to_do_caution_and_numbers():
    screen = text(CHARGE, 40, 12)
    for words in ("Charge to 30.00.", "!! Check every clamp before 30 psi. !!", "29.43 psi", "7.25 psi",
                  "SAY OR KEY"):
        assert words in screen
    assert shows_big(text(HOLD, 40, 12), "4:32")
    assert layout(CHARGE, 80, 1)[0].startswith(" ┃ Charge to 30.00. Pump, let it settle")


def test_ascii_terminals_see_the_same():
    screen = text(replace(CHARGE, status="6.0 ± 1.5 %, 20 °C"), plain=True)
    assert screen.isascii() and "| Charge to 30.00." in screen and "6.0 +/- 1.5 %" in screen
    assert shows_big(screen, "29.43", ink="#")


def test_emphasis_is_only_an_extra():
    assert {line.style for line in layout(CHARGE, 80, 24)} == {"", "bold", "caution"}
    assert [line.style for line in layout(CHARGE, 80, 24, plain=True)] == [line.style for line in layout(CHARGE, 80, 24)]


def test_a_heard_text_cannot_move_the_cursor():
    bad = View(heard="\x1b[2Jseven\r\n\tpoint", last="\x07", title="a\x00b", messages=("\x9b2J",))
    assert all(line.isprintable() for line in layout(bad, 80, 24))


WORDS = st.text(max_size=60)
VIEWS = st.builds(View, title=WORDS, do=WORDS, caution=WORDS, clock_s=st.none() | st.floats(-1e6, 1e6),
                  clock_label=WORDS, last=WORDS, heard=WORDS, listens=WORDS,
                  typed=st.text("0123456789*", max_size=12),
                  status=WORDS, gauge=st.none() | WORDS, keys=WORDS, progress=WORDS, check=WORDS, verdict=WORDS, waits=WORDS,
                  figures=st.lists(st.tuples(WORDS, WORDS), max_size=3).map(tuple),
                  table=st.lists(WORDS, max_size=4).map(tuple), other_rows=st.lists(WORDS, max_size=3).map(tuple),
                  messages=st.lists(WORDS, max_size=5).map(tuple))


@settings(max_examples=300, deadline=None)
@given(VIEWS, st.integers(1, 130), st.integers(1, 45), st.booleans())
def test_any_view_at_any_size_is_exactly_that_size(view, width, height, plain):
    lines = layout(view, width, height, plain)
    assert len(lines) == height
    assert all(len(line) <= width and (line == "" or line.isprintable()) for line in lines)
    assert not plain or all(line.isascii() for line in lines)


@pytest.mark.parametrize("scale", [1, 2])
def test_big_digits_are_as_wide_as_they_say_and_all_differ(scale):
    assert {len(line) for line in big("12:34.56-_", scale)} == {big_width("12:34.56-_", scale)}
    assert len({tuple(big(digit)) for digit in "0123456789.:-_"}) == 14


# -- the painter -----------------------------------------------------------------------------------------

SHOW = """
import os, sys, time
from assistant.station.layout import View
from assistant.station.screen import Screen
from hardware.terminal import TerminalKeypad
typed = []
screen = Screen()
def key(token):
    typed.append(token)
    screen.show(View(title="Painter", do="Type.", typed="".join(typed[-4:]), status=f"{len(typed)} keys"))
"""


def child(code: str, slave: int, **environment: str) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-c", SHOW + code], stdin=slave, stdout=slave, stderr=slave,
                            cwd=ROOT, env={**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8", **environment})


def read_until(master: int, wanted: bytes, seconds: float = 60) -> bytes:
    got, end = b"", time.monotonic() + seconds
    while wanted not in got and time.monotonic() < end:
        if select.select([master], [], [], 0.1)[0]:
            try:
                got += os.read(master, 65536)
            except OSError:
                break
    return got


@pytest.fixture
def terminal():
    master, slave = pty.openpty()
    fcntl.ioctl(master, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    yield master, slave
    os.close(slave), os.close(master)


LEAVE = b"\x1b[?1049l"  # xterm: back from the alternate screen


@pytest.mark.parametrize("ending", ["stop", "exception", "SIGTERM", "forgotten"])
def test_however_the_program_ends_the_terminal_is_given_back(terminal, ending):
    master, slave = terminal
    before = termios.tcgetattr(slave)
    code = ("keypad = TerminalKeypad(key); keypad.start(); screen.start()\nif True:\n"
            if ending == "forgotten" else "with TerminalKeypad(key), screen:\n")
    code += "    key('1'); time.sleep(0.4)\n    "
    code += {"exception": "raise SystemExit(3)", "SIGTERM": "time.sleep(30)"}.get(ending, "")
    process = child(code, slave)
    got = read_until(master, b"1 keys")
    assert b"1 keys" in got
    if ending == "SIGTERM":
        process.send_signal(signal.SIGTERM)
    got += read_until(master, LEAVE)
    assert process.wait(10) == {"stop": 0, "exception": 3, "SIGTERM": -signal.SIGTERM, "forgotten": 0}[ending]
    if b"\x1b[?25h" not in got[got.index(LEAVE):]:
        got += read_until(master, b"\x1b[?25h", 1)
    assert got.count(LEAVE) == 1 and b"\x1b[?25h" in got[got.index(LEAVE):], "the cursor must be seen again"
    assert termios.tcgetattr(slave) == before


def test_only_changed_lines_are_written(terminal):
    master, slave = terminal
    code = """
with screen:
    screen.show(View(title="Painter", do="Wait.", status="A" * 60, messages=("one",)))
    time.sleep(0.6)
    screen.show(View(title="Painter", do="Wait.", status="A" * 60, messages=("two",)))
    time.sleep(0.6)
    sys.stdout.write("done"); sys.stdout.flush()
"""
    process = child(code, slave)
    got = read_until(master, b"done")
    second = got[got.index(b"one"):]
    assert b"two" in second and second.count(b"AAAA" * 15) == 1  # the status line only with the first view
    assert len(second[second.index(b"two") - 20:second.index(b"done")]) < 60
    process.wait(10)


def test_what_libraries_write_as_errors_does_not_spoil_the_screen(terminal):
    master, slave = terminal
    code = "screen.start(); os.write(2, b'ALSA noise'); time.sleep(0.3); print('kept', len(screen.stop()))"
    process = child(code, slave)
    got = read_until(master, b"kept 10")
    assert b"kept 10" in got and b"ALSA" not in got
    assert process.wait(10) == 0


@pytest.mark.alone
def test_a_terminal_that_hangs_stops_nobody(terminal, tmp_path):
    """Nobody reads the pty: its buffer fills and writing to it blocks for ever."""
    master, slave = terminal
    code = """
started = time.monotonic()
with screen:
    for count in range(4000):
        screen.show(View(do=str(count) * 30, status=str(count) * 50, messages=(str(count) * 50,)))
        time.sleep(0.0005)
    slowest = time.monotonic() - started
open(os.environ["RESULT"], "w").write(f"{slowest} {time.monotonic() - started}")
"""
    result = tmp_path / "result"
    process = child(code, slave, RESULT=str(result))
    try:
        assert process.wait(20) == 0
        shown, stopped = map(float, result.read_text().split())
        assert shown < 8 and 0.4 < stopped - shown < 3  # it did hang: stopping had to give up on it
    finally:
        process.kill()


@pytest.mark.parametrize("term, words", [
    ("dumb", "can't place text"), ("nonsense-99", "doesn't know"), ("", "TERM=")])
def test_an_unusable_terminal_is_one_sentence(terminal, term, words):
    master, slave = terminal
    process = child("from assistant.station.screen import ScreenError\ntry: screen.start()\n"
                    "except ScreenError as error: print('said:', error, flush=True)", slave, TERM=term)
    got = read_until(master, b"start again.").decode()
    assert "said:" in got and words in got and "Traceback" not in got
    process.wait(10)


def test_no_terminal_is_one_sentence():
    read, write = os.pipe()
    with pytest.raises(ScreenError, match="needs a terminal"):
        Screen(fd=write).start()
    os.close(read), os.close(write)


COLOUR = re.compile(rb"\x1b\[(?:3[0-7]|4[0-7]|9[0-7]|10[0-7]|[34]8;[0-9;]*)m")
JUDGED = View(title="Painter", do="Open both petcocks.", caution="Never loosen a clamp.", verdict="FAIL: over 0.20", passed=False)


def painted(terminal, more: str = "", **environment: str) -> bytes:
    """What is written for one view, up to its end."""
    master, slave = terminal
    code = f"screen = Screen({more})\nwith screen:\n    screen.show({JUDGED!r})\n    time.sleep(0.4)\nprint('END')"
    process = child(code, slave, **environment)
    got = read_until(master, b"END")
    process.wait(10)
    return got


def test_colour_is_for_danger_and_verdict_alone(terminal):
    got = painted(terminal, TERM="xterm-256color")
    coloured = [text for text in re.findall(rb"m([^\x1b]{4,})", got[:got.index(LEAVE)])
                if COLOUR.search(got[max(0, got.index(text) - 12):got.index(text)])]
    assert len(coloured) == 2 and coloured[0].startswith(b"!! Never loosen") and b"FAIL" in coloured[1]


@pytest.mark.parametrize("daylight", ["", "daylight=True"])
def test_no_colour_where_none_is_wanted_or_there(terminal, daylight):
    got = painted(terminal, daylight, TERM="xterm-256color", NO_COLOR="1")
    assert not COLOUR.search(got) and b"FAIL: over 0.20" in got and b"\x1b[7m" in got
    assert COLOUR.search(painted(terminal, daylight, TERM="xterm-256color", NO_COLOR="")), "empty is as if it were not set"
    assert not COLOUR.search(painted(terminal, daylight, TERM="vt220"))


def test_in_daylight_every_cell_is_painted_black_on_white_but_what_must_stand_out(terminal):
    got = painted(terminal, "daylight=True", TERM="xterm-256color")
    page = got[got.index(b"\x1b[H"):got.index(LEAVE)]
    cells, ground = 0, ""
    for code, text in re.findall(rb"\x1b([\[\](][0-9;?]*[A-Za-z])([^\x1b]*)", page):
        if code.endswith(b"m"):
            ground = "" if code in (b"[m", b"[0m") else ground + code.decode()
            if text:
                white = ground in ("[30m[107m", "[30m[48;5;15m")
                assert white != (text.startswith((b"!!", "\u25a0".encode()))), (ground, text)
                cells += len(text.decode())
    assert cells == 80 * 24 - 1, "its last cell would scroll some terminals"


def test_on_the_linux_console_white_is_white_and_given_back(terminal):
    got = painted(terminal, "daylight=True", TERM="linux")
    assert b"\x1b]P7ffffff" in got and got.index(b"\x1b]R") > got.index(b"\x1b]P7ffffff")
    assert b"\x1b]" not in painted(terminal, TERM="linux")


def test_daylight_is_switched_by_a_key_while_it_runs(terminal):
    master, slave = terminal
    code = f"with screen:\n    screen.show({JUDGED!r})\n    time.sleep(0.5)\n    screen.switch()\n    time.sleep(0.5)\nprint('END')"
    process = child(code, slave, TERM="xterm-256color")
    got = read_until(master, b"END")
    process.wait(10)
    assert got.count(b"Open both petcocks.") == 2 and b"\x1b[107m" in got or b"48;5;15" in got
    assert terminal_keys["l"] == "light"


# -- tmux: a real terminal that can be asked what it shows ------------------------------------------------

@pytest.fixture
def tmux(tmp_path):
    if not shutil.which("tmux"):
        pytest.skip("tmux is missing: apt install tmux")

    def run(*words: str) -> str:
        return subprocess.run(["tmux", "-u", "-S", str(tmp_path / "socket"), "-f", "/dev/null", *words],
                              text=True, capture_output=True, timeout=20,
                              env={**os.environ, "LC_ALL": "C.UTF-8"}).stdout

    yield run
    run("kill-server")


def shown_in(tmux, wanted: list[str], seconds: float = 60) -> list[str]:
    end = time.monotonic() + seconds
    lines: list[str] = []
    while time.monotonic() < end:
        lines = [line.rstrip() for line in tmux("capture-pane", "-p").rstrip("\n").split("\n")]
        lines += [""] * (len(wanted) - len(lines))
        if lines == wanted:
            break
        time.sleep(0.05)
    return lines


@pytest.mark.alone
def test_tmux_shows_the_layout_at_every_size_and_no_key_is_lost(tmux, tmp_path):
    script = tmp_path / "show.py"
    script.write_text(SHOW + "with TerminalKeypad(key), screen:\n    key('1')\n    time.sleep(40)\n")
    tmux("new-session", "-d", "-x", "80", "-y", "24",
         f"echo BEFORE; PYTHONPATH={ROOT} {sys.executable} {script}; cat")

    def wanted(typed: str, count: int, width: int, height: int) -> list[str]:
        return layout(View(title="Painter", do="Type.", typed=typed, status=f"{count} keys"), width, height)

    assert shown_in(tmux, wanted("1", 1, 80, 24)) == wanted("1", 1, 80, 24)
    tmux("send-keys", "7", ".", "2")
    assert shown_in(tmux, wanted("17*2", 4, 80, 24)) == wanted("17*2", 4, 80, 24)
    for width, height in ((120, 40), (40, 12), (81, 25)):
        tmux("resize-window", "-x", str(width), "-y", str(height))
        assert shown_in(tmux, wanted("17*2", 4, width, height)) == wanted("17*2", 4, width, height)
    for turn in range(5):
        tmux("send-keys", "-l", "12345678")
        tmux("resize-window", "-x", str(90 + turn), "-y", "30")
    assert shown_in(tmux, wanted("5678", 44, 94, 30)) == wanted("5678", 44, 94, 30)
    os.kill(_child_of(tmux), signal.SIGTERM)
    end = time.monotonic() + 60
    while "BEFORE" not in tmux("capture-pane", "-p") and time.monotonic() < end:
        time.sleep(0.05)
    assert tmux("capture-pane", "-p").startswith("BEFORE"), "the screen from before must come back"
    assert tmux("display-message", "-p", "#{cursor_flag}").strip() == "1"


def _child_of(tmux) -> int:
    """The Python process that the pane's shell started."""
    shell = tmux("list-panes", "-F", "#{pane_pid}").strip()
    return int(Path(f"/proc/{shell}/task/{shell}/children").read_text().split()[0])
