"""A reading is earned: heard or keyed, plausible, read back, confirmed; the deciding two entered twice.

    entry ──plausible──► confirm ──yes──► taken                     (one entry)
    entry ──► confirm ──yes──► again ──► confirm ──yes──► same? ──► taken   (two entries, not sharing one mistake)

Two entries are two only where a mistake of the first is not made again by itself. The ear mishears the same words the same way;
the wire shifts every number alike; the eye that trusts its first look reads it again: so the second entry is asked for with a new
look, and nothing of it counts before that was asked to the end. A finger's slip does not repeat itself.

    first, then        keyed            said            from the wire     the wire, held against the gauge's own face
    keyed              yes, new look    yes             yes               -
    said as a number   yes              digit by digit  yes               -
    said digit by digit    yes          no              yes               -
    from the wire      yes              yes             no                yes: the eye compares

Nothing here ever changes a value: it is taken as it came, or asked again.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from assistant.core import batch_clock, gauge, phrases, plausible
from assistant.core.asked import ONLY_WHAT_COUNTED
from assistant.core.corrections import after_taken, withdraw
from assistant.core.events import GaugeSteady
from assistant.core.language import sentence
from assistant.core.methods.method import OVERRIDE_WITHIN_PSI
from assistant.core.spoken import NotANumber, parse
from assistant.core.state import FACE, Entry, Phase, Reading, State, Steady
from assistant.core.steps import BATCHED
from assistant.core.turn import Turn

NO_KEYPAD_TO_KEYS = 3
"""From these rules of the dialogue on, who keys is not sent to the keypad; a test from before replays as it was lived."""


POINTLESS = 5
"""From these rules of the dialogue on, the point need not be keyed."""
POINTLESS_WHOLE = 2
"""Digits before it. A number of no more digits is a whole one."""


def pointless(state: State) -> int:
    """How many of the keyed digits stand behind a point that is not keyed; 0: it must be keyed, as three digits could be meant
    before it."""
    if state.rules < POINTLESS or state.phase is not Phase.ENTRY or state.ask.optional:
        return 0
    _, most = plausible.plausible_range(state.ask.id, state.taken(), state.settings)
    return state.ask.places if Decimal(10) <= most < Decimal(100) else 0


def from_voice(turn: Turn, text: str) -> None:
    try:
        said = parse(text, whole=turn.state.ask.places == 0 and turn.state.rules >= 2)
    except NotANumber as error:
        ask_again(turn, f"{error}")
        return
    enter_value(turn, Entry(said.value, "voice", said.form, text))


def from_keys(turn: Turn, typed: str) -> None:
    turn.set(typed="")
    turn.record("heard", text=typed, source="keypad")
    ahead = pointless(turn.state)
    typed = f"{typed[:-ahead]}.{typed[-ahead:]}" if ahead and typed.isdigit() and len(typed) > POINTLESS_WHOLE else typed
    whole, point, decimals = typed.removeprefix("-").partition(".")
    try:
        if turn.state.ask.optional and typed.isdigit():
            value = Decimal(typed)
        else:
            value = parse(f"{whole.lstrip('0') or '0'}{point}{decimals}").value  # a keyed 07.25 is 7.25
        value = -value if typed.startswith("-") else value
    except NotANumber:
        refuse(turn, None, sentence("entry.typed", typed=typed), "keypad")
        return
    enter_value(turn, Entry(value, "keypad", "", typed))


def from_gauge(turn: Turn, value: Decimal, spread: Decimal = Decimal(0), form: str = "") -> None:
    """The gauge's value is entered like any other; its spread goes into the record with it. form: see Entry."""
    if turn.state.phase is Phase.ENTRY:
        text = f"{value:f} ± {spread:f}" if spread else f"{value:f}"
        turn.record("heard", text=text, source="gauge")
        enter_value(turn, Entry(value, "gauge", form, text, spread=spread))


def gauge_steady(turn: Turn, event: GaugeSteady) -> None:
    """The gauge stands still: offer it if it was measured for what is asked now; or it has moved from what was offered."""
    if event.since is None:
        from_gauge(turn, event.value)  # entered on purpose
        return
    turn.set(steady=Steady(event.value, event.spread, event.since, event.at))
    state = turn.state
    if gauge.has_moved(state):
        entry = state.proposed
        assert entry is not None
        turn.hush()
        turn.set(phase=Phase.ENTRY, proposed=None, override=False)
        _anew(turn, refuse, entry.value, sentence("gauge.moved"))
    elif gauge.offers(state):
        from_gauge(turn, event.value, event.spread)
        if turn.state.phase is Phase.ENTRY:
            turn.set(unwanted=event.value)  # refused with a reason: once is enough


def take_gauge(turn: Turn) -> bool:
    """"Next" while a reading is asked for: what the gauge steadily shows is entered, even out of its band.

    Where it gave the first of two entries, its face shall confirm it: a wire that shifts a number does not shift the dial.
    """
    now_steady, first = gauge.steady_now(turn.state), turn.state.first
    if now_steady is None:
        return False
    from_gauge(turn, now_steady.value, now_steady.spread, FACE if first is not None and first.source == "gauge" else "")
    return True


def go_on(turn: Turn) -> bool:
    """"Next" where a reading is asked for: the gauge is taken at its word, or what is optional is left out."""
    if take_gauge(turn):
        return True
    if turn.state.phase is not Phase.ENTRY or not turn.state.ask.optional:
        return False
    turn.hush()
    turn.record("left_out", id=turn.state.ask.id)
    after_taken(turn)
    return True


def enter_value(turn: Turn, entry: Entry) -> None:
    """A value came in while a reading is asked for: refuse it with a reason, or propose it."""
    state, ask = turn.state, turn.state.ask
    turn.hush()
    if entry.value.is_finite() and -int(entry.value.as_tuple().exponent) > ask.places:
        refuse(turn, entry.value, sentence("entry.decimals", value=f"{entry.value:f}", places=ask.places),
               entry.source)
        return
    entry = replace(entry, value=phrases.aloud(entry.value, ask.places), at=state.now)
    if state.first is not None and not _may_be_second(state, entry):
        refuse(turn, entry.value, phrases.for_hands(
            state.buttons, "entry.second_digits" if state.first.form == "whole" or state.first.source == "gauge" else "entry.second_key"))
        return
    doubt = plausible.reading(ask.id, entry.value, state.taken(), state.settings, state.rules)
    if doubt is not None and doubt.kind == plausible.IMPOSSIBLE:
        refuse(turn, entry.value, sentence("entry.impossible", doubt=doubt.words), entry.source)
        return
    if gauge.disputes(state, entry):
        if state.disputed != entry.value:
            _dispute(turn, entry)
            return
        entry = replace(entry, doubt=sentence("gauge.otherwise", value=f"{entry.value:f}"))
    if ask.band and state.first is None:
        band = plausible.band(ask.id, entry.value, state.settings)
        if band.state == "in_band":
            turn.cue("in_band")
        elif state.corrected:  # only the number can be mended now: never send anybody to the bleeder
            entry = replace(entry, doubt=sentence(f"entry.was_{band.state}", by=f"{band.by:f}"))
        else:
            _out_of_band(turn, entry, band)
            return
    if doubt is not None:
        if doubt.compares:
            turn.set(compared=len(state.readings))
        entry = replace(entry, doubt=f"{sentence('entry.doubtful', doubt=doubt.words)} {entry.doubt}".strip())
    propose(turn, entry)


def _may_be_second(state: State, second: Entry) -> bool:
    """The table above. (A test that began before it was enforced has the second entry of a keyed one keyed.)"""
    first = state.first
    assert first is not None
    if first.source == "keypad" and second.source == "voice" and state.rules:
        return True
    if second.source == "keypad" or second.form == FACE:
        return True
    if "gauge" in (first.source, second.source):  # the same wire twice would share its mistake
        return first.source != second.source
    return first.source == "voice" and first.form == "whole" and second.form == "digits"


def _anew(turn: Turn, say: Callable[..., None], *args: object) -> None:
    """A read-back was broken off: what is said of it asks for the reading, and counts as a question of its own."""
    first = turn.state.utterance + 1
    say(turn, *args)
    if turn.state.rules >= ONLY_WHAT_COUNTED:
        turn.open(first)


def _dispute(turn: Turn, entry: Entry) -> None:
    """Two sources disagree: neither is taken, and neither is named, since both may be wrong."""
    turn.set(first=None, disputed=entry.value)
    refuse(turn, entry.value, sentence("gauge.disagrees"), entry.source)


def _out_of_band(turn: Turn, entry: Entry, band: plausible.Band) -> None:
    state = turn.state
    outs = state.outs + 1
    turn.set(outs=outs)
    turn.record("refused", id=state.prompt, value=entry.value, why=band.words)
    turn.cue("refused")
    words = {"value": f"{entry.value:f}", "band": phrases.capital(band.words)}
    if outs >= 2 and band.by <= OVERRIDE_WITHIN_PSI:
        turn.say(sentence("entry.out", **words))
        turn.set(phase=Phase.OVERRIDE, offered=entry, outs=0, typed="" if state.wheel else state.typed, wheel="")
        turn.say_prompt()
    else:
        # "Over by 0.12" tells what was heard too, as the target is known.
        turn.say(sentence("entry.out_terse", band=words["band"]) if state.terse else sentence("entry.out_settle", **words))


def override(turn: Turn, use: bool) -> None:
    """Answer to "trim it again?": a charge outside its band may be used knowingly; that is recorded."""
    offered = turn.state.offered
    assert offered is not None
    turn.set(phase=Phase.ENTRY, offered=None)
    if use:
        turn.set(override=True)
        propose(turn, offered)
    else:
        turn.say_prompt(whole=False)


def propose(turn: Turn, entry: Entry) -> None:
    spread = {"spread": entry.spread} if entry.spread else {}
    turn.record("proposed", id=turn.state.prompt, value=entry.value, unit=turn.state.ask.unit, source=entry.source, **spread)
    turn.set(phase=Phase.CONFIRM, proposed=replace(entry, at=turn.state.now), typed="", wheel="", misses=0)
    turn.say_prompt()


def confirmed(turn: Turn, yes: bool) -> None:
    """Yes or no to the read-back."""
    state = turn.state
    entry = state.proposed
    assert entry is not None
    turn.set(phase=Phase.ENTRY, proposed=None)
    if not yes:
        turn.set(override=False, unwanted=entry.value if entry.source == "gauge" else state.unwanted)
        turn.record("refused", id=turn.state.prompt, value=entry.value, why=sentence("entry.said_no"))
        if entry.doubt and state.rules:
            turn.note(state.ask.id, sentence("note.denied", value=f"{entry.value:f}", doubt=entry.doubt))
            turn.set(denied=(*state.denied, (state.ask.id, entry.value)))
        turn.say(sentence("entry.not_taken"))
        turn.say_prompt(whole=False)
    elif gauge.disputes(state, entry) and state.disputed != entry.value:
        turn.set(override=False)
        _anew(turn, _dispute, entry)
    elif state.ask.entries == "two" and state.first is None:
        turn.set(first=entry)
        turn.say_prompt()
    elif state.first is not None and not gauge.agree(state.first, entry):
        why = sentence("entry.differ_why", first=f"{state.first.value:f}", second=f"{entry.value:f}")
        turn.set(first=None)
        turn.record("refused", id=state.ask.id, value=entry.value, why=why)
        turn.cue("refused")
        turn.say(sentence("entry.differ"))  # naming them would lead the eye
        turn.say_prompt(whole=False)
    else:
        _take(turn, entry, ready=state.joined is not None)


def _take(turn: Turn, entry: Entry, ready: bool = False) -> None:
    """ready: for the tapping that follows; one yes said both."""
    state, ask = turn.state, turn.state.ask
    for old in state.readings:
        if old.id == ask.id and not old.withdrawn:
            withdraw(turn, old, sentence("note.asked_again"))
    at_its_moment = state.rules and state.holding and state.needs_lever()
    if state.corrected and not at_its_moment:
        known = any(judged.verdict and not judged.partial for _, judged in state.judged)
        # Of a test by today's rules the verdict itself tells that it was known.
        turn.note(ask.id, sentence("note.entered_late_known" if known else "note.entered_late"), repeat=known and not state.rules)
    elif state.rules and state.needs_lever() and not state.holding:
        turn.note(ask.id, sentence("note.lever_unknown"))
    entries = (entry,) if state.first is None else (state.first, entry)
    # Of two that agree within the gauge's spread, the gauge's own counts: it is the middle of many samples. Where both are its
    # own, the one that its face was seen to show.
    counts = entry if entry.form == FACE else next((one for one in entries if one.source == "gauge"), entry)
    turn.set(readings=(*turn.state.readings, Reading(ask.id, counts.value, ask.unit, entries, state.now)))
    spread = {"spread": counts.spread} if counts.spread else {}
    turn.record("taken", id=ask.id, value=counts.value, unit=ask.unit, source=counts.source, **spread)
    if state.override:
        turn.note(ask.id, sentence("note.outside_band", value=f"{entry.value:f}", unit=ask.unit))
    if entry.doubt:
        turn.note(ask.id, sentence("note.doubtful", doubt=entry.doubt))
    if state.away is not None:
        turn.note(ask.id, sentence("note.by_crew"))
    if ask.role == BATCHED:
        batch_clock.batched(turn, counts.value)
    after_taken(turn, ready)


def refuse(turn: Turn, value: Decimal | None, why: str, source: str = "") -> None:
    """Not taken, for a reason that is said; the same prompt listens on."""
    turn.record("refused", id=turn.state.prompt, value=value, why=why)
    turn.cue("refused")
    turn.set(misses=turn.state.misses + 1)
    turn.say(why)
    if turn.state.misses >= 3 and (source != "keypad" or turn.state.rules < NO_KEYPAD_TO_KEYS):
        turn.say(phrases.for_hands(turn.state.buttons, "entry.use_keypad"))


def ask_again(turn: Turn, why: str) -> None:
    """What was said is no reading."""
    turn.hush()
    refuse(turn, None, sentence("entry.no_number", why=why))
