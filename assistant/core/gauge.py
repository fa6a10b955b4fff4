"""The gauge on the wire, as the dialogue uses it: what it shows while a charge is made, and when it may be offered.

All pressures are psi. A value counts for a prompt only if every sample of it was measured after that prompt was opened.
"""
from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from assistant.core import plausible
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.state import Entry, Guided, Phase, State, Steady
from assistant.core.steps import Ask, Hold, Tell
from assistant.core.turn import Turn

FRESH_S = 3.0
"""A steady value reported longer ago is not used. Ours: the shell reports every second while the gauge stands still."""
DISAGREE_PSI = Decimal("0.02")
"""A person's value further than this, or than three spreads, from the gauge's is asked about. Ours, no source."""
GUIDE_EVERY_S = 2.5
"""A hand on the pump follows no faster. Ours."""
MOVED_PSI = Decimal("0.03")
"""Less than this is no movement to speak of: one fine stroke. Ours."""
CROSSED_PSI = Decimal("0.01")
"""The same where the edge of the band was crossed. Ours: the gauge's last place."""


def charging(state: State) -> str:
    """Name of the charge that is being made or trimmed now; empty: none is.

    It is made at a reading with a band, or at the instruction before the settle hold that such a reading follows.
    """
    if state.procedure is None or state.corrected:
        return ""
    step = state.step
    if state.phase is Phase.ENTRY and state.first is None:
        return step.id if isinstance(step, Ask) and step.band and _by_wire(step) else ""
    if state.phase is Phase.TELL and isinstance(step, Tell) and not step.goto:
        after = state.procedure.steps[state.index + 1:state.index + 3]
        if (len(after) == 2 and isinstance(after[0], Hold) and isinstance(after[1], Ask) and after[1].band
                and _by_wire(after[1]) and after[1].stage == step.stage):
            return after[1].id
    return ""


def wants_reads(state: State) -> bool:
    """Whether ``GaugeReads`` is of any use now."""
    return bool(charging(state)) or state.hold is not None


def wants_steady(state: State) -> bool:
    """Whether ``GaugeSteady`` is of any use now: a pressure is asked for, or about to be confirmed.

    A correction asks for what was read earlier: the gauge can't know it.
    """
    return (state.procedure is not None and state.phase in (Phase.ENTRY, Phase.CONFIRM) and not state.corrected
            and isinstance(state.step, Ask) and _by_wire(state.ask))


def _by_wire(ask: Ask) -> bool:
    """The meter's own gauge shows it. A reference gauge's reading never comes by this wire."""
    return ask.unit == "psi" and registry.reading(ask.id).own_gauge


def steady_now(state: State) -> Steady | None:
    """Where the gauge stands still, if that was measured for what is asked now and is not old."""
    steady = state.steady
    good = (steady is not None and wants_steady(state) and state.now - steady.at <= FRESH_S
            and steady.since >= state.opened and steady.value.is_finite())
    return steady if good else None


def offers(state: State) -> bool:
    """Whether the steady value is to be offered unasked. A charge only in its band: outside it the guidance speaks."""
    steady = steady_now(state)
    if (steady is None or state.phase is not Phase.ENTRY or state.typed or state.wheel or state.paused
            or state.spoken < state.utterance or state.first is not None and state.first.source == "gauge"):
        return False
    if state.unwanted is not None and abs(steady.value - state.unwanted) <= _tolerance(steady.spread):
        return False
    return not state.ask.band or plausible.band(state.ask.id, steady.value, state.settings).state == "in_band"


def has_moved(state: State) -> bool:
    """A charge that the gauge offered is no longer there. An equilibrium was caught at its moment and may go."""
    entry, steady = state.proposed, state.steady
    if state.phase is not Phase.CONFIRM or entry is None or entry.source != "gauge" or not state.ask.band or steady is None:
        return False
    # What an override uses was refused as a charge first: "no" to trimming is the technician's word that it stays.
    return not state.override and abs(steady.value - entry.value) > _tolerance(steady.spread)


def disputes(state: State, entry: Entry) -> bool:
    """A person's value and the gauge's, measured for the same prompt, are too far apart to be the same pressure.

    After a first entry by gauge the two are compared at the end, where both are dropped.
    """
    steady = steady_now(state)
    if steady is None or entry.source == "gauge" or state.first is not None and state.first.source == "gauge":
        return False
    return abs(entry.value - steady.value) > _tolerance(steady.spread)


def agree(first: Entry, second: Entry) -> bool:
    """Two entries of a deciding reading: the same number, or a person's within what the gauge's samples spread over."""
    wire = next((one for one in (first, second) if one.source == "gauge"), None)
    spread = Decimal(0) if wire is None else min(DISAGREE_PSI, 3 * wire.spread)
    return abs(first.value - second.value) <= spread


def _tolerance(spread: Decimal) -> Decimal:
    return max(DISAGREE_PSI, 3 * spread)


def guide(turn: Turn, value: Decimal) -> None:
    """"Under by", "over by", "in the band", while the gauge moves: never over other words, never faster than a hand follows."""
    state, name = turn.state, charging(turn.state)
    if not name or not value.is_finite() or state.cautions:
        return
    last, now = state.guided, state.now
    if last is not None and last.at and now - last.at < GUIDE_EVERY_S:
        return
    if value > state.settings.max_psi:
        if last is None or last.state:
            turn.set(guided=Guided(value, "", now))
            turn.cue("refused")
            turn.say(sentence("gauge.over_maximum"), name, caution=True)
        return
    if state.typed or state.wheel or state.paused or state.spoken < state.utterance:
        return
    band = plausible.band(name, value, state.settings)
    if last is None:
        turn.set(guided=Guided(value, band.state, 0.0))  # nobody has touched it yet
        return
    moved = abs(value - last.value)
    if moved < (MOVED_PSI if band.state == last.state else CROSSED_PSI):
        return
    turn.set(guided=Guided(value, band.state, now))
    if band.state == "in_band":
        turn.cue("in_band")
    turn.say(sentence(f"gauge.{band.state}", by=f"{_short(band.by):f}"), name)


def _short(by: Decimal) -> Decimal:
    """As many figures as a hand can use: whole psi from 10 on, tenths from 1 on."""
    places = Decimal(1) if by >= 10 else Decimal("0.1") if by >= 1 else Decimal("0.01")
    return by.quantize(places, ROUND_HALF_EVEN)
