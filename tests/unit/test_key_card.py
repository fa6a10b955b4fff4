"""The card of the keys against what really happens: each thing on it is typed, keyed or said to the part of the station that
takes it."""
import re
import xml.etree.ElementTree as ElementTree

from assistant.core import answers
from assistant.core.commands import COMMANDS, command
from assistant.report import key_card
from hardware.input_events import PRESSED, RELEASED
from hardware.keypad import HELD, LEGEND
from hardware.terminal import decode
from hardware.usb_pad import CODES, PadKeys
from tests.unit.test_usb_pad import DOT, ENTER, MINUS, PLUS, SLASH, STAR

ROWS = key_card.rows()
TOKENS = ["0-9", "*", "#", "A", "B", "C", "D", "#-held", "A-held", "B-held", "D-held"]
PRINTED = {".": DOT, "Enter": ENTER, "/": SLASH, "*": STAR, "-": MINUS, "+": PLUS, "Backspace": 14}


def test_a_row_for_every_key_that_the_core_knows_and_for_no_other():
    assert [row.key.replace(" to ", "-").replace(" held", "-held") for row in ROWS] == TOKENS
    assert set(answers.KEYS) | {"*"} == set(TOKENS[1:])


def test_what_the_card_says_to_type_is_that_key():
    for row, token in zip(ROWS[1:], TOKENS[1:], strict=True):
        for typed in row.terminal.split():
            character = {"Enter": "\r", "Backspace": "\x7f"}.get(typed, typed)
            presses, rest = decode(character.encode())
            assert [press.name for press in presses] == [token] and not rest, row


def test_what_the_card_says_of_the_usb_pad_is_that_key():
    for row, token in zip(ROWS[1:], TOKENS[1:], strict=True):
        for label in row.usb_pad.replace(" held", "").split(", "):
            keys = PadKeys()
            held = token.endswith("-held")
            happened = keys.event(1.0, PRINTED[label], PRESSED)
            happened += keys.look(3.0) if held else keys.event(1.1, PRINTED[label], RELEASED) + keys.look(1.3)
            assert (token[0], "hold" if held else "press") in happened, row


def test_the_keypads_hold_and_its_keys_are_the_cores():
    assert set("".join(LEGEND)) == set("0123456789*#ABCD") == set(CODES.values())
    assert set(HELD.values()) == {key for key in answers.KEYS if key.endswith("-held")}


def test_what_the_card_says_to_say_is_that_command():
    for row, token in zip(ROWS[1:], TOKENS[1:], strict=True):
        said = tuple(map(command, filter(None, row.say.split(", "))))
        assert said == key_card.commands_of(token)


def test_every_command_has_a_key_or_is_named_as_having_none():
    keyed = {one for token in TOKENS for one in key_card.commands_of(token)}
    assert set(COMMANDS) - keyed - {"slower", "faster", "skip_to_air"} == set(key_card.by_voice_only())
    for ident in key_card.by_voice_only():
        assert COMMANDS[ident][0] in key_card.text()


def test_the_text_fits_a_terminal_and_holds_every_row_and_the_caution():
    text = key_card.text()
    assert max(map(len, text.splitlines())) <= 100
    for row in ROWS:
        assert re.search(rf"^{re.escape(row.key)} ", text, re.MULTILINE)
    words = " ".join(text.split())
    assert "Lever up, eyewear on" in words and "Open both petcocks slowly" in words


def test_the_drawing_is_a_well_formed_page_and_nothing_runs_over_its_edge():
    root = ElementTree.fromstring(key_card.svg())
    assert root.get("viewBox") == "0 0 210 148"
    texts = [(one.text or "", *(float(one.get(name)) for name in ("x", "y", "font-size")), one.get("text-anchor"))
             for one in root.iter("{http://www.w3.org/2000/svg}text")]
    shown = [words for words, *_ in texts]
    assert all(key in shown for line in LEGEND for key in line)
    for words, x, y, size, anchor in texts:
        width = 0.6 * size * len(words)  # a sans letter is on average a little narrower than that
        left = x - width / 2 if anchor else x
        assert 4 <= left and left + width <= 206 and 4 < y < 146, words
    drawn = " ".join(shown)
    for row in ROWS:
        for word in f"{row.does} {row.say}".split():
            assert word in drawn


def test_a_file_that_can_not_be_written_is_one_sentence(tmp_path, capsys):
    assert key_card.main([str(tmp_path / "none" / "card.svg")]) == 1
    assert capsys.readouterr().err.endswith("can't be written: No such file or directory.\n")
    assert key_card.main([str(tmp_path / "card.svg")]) == 0
    assert (tmp_path / "card.svg").read_text(encoding="utf-8") == key_card.svg()
