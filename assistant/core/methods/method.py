"""What a method may say of itself. The rooms beside this file say it, `registry` collects it, everything else looks it up.

A procedure (NAME.toml) says what is done and asked, a room (NAME.py) what may come of it.
"""
from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from assistant.core.assessment import Assessment, ResultSpec
from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt
from assistant.core.judgement import Judgement, Marks, Rule, Taken, whole
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.provenance import Provenance
from assistant.core.methods.values import Values

if TYPE_CHECKING:
    from assistant.core.methods.work_input import WorkInput

Pair = tuple[Decimal, Decimal]
Curve = tuple[tuple[float, Decimal], ...]
"""(seconds since a hold began, gauge psi)."""


# --- readings -----------------------------------------------------------------------------------------------------------

OVERRIDE_WITHIN_PSI = Decimal("0.10")
"""A charge further off than this is trimmed, never used. Ours, no source."""


@dataclass(frozen=True)
class Band:
    state: str
    """"in_band", "over" or "under"."""
    by: Decimal
    """How far, psi, 0 or above: from the target of a step, else from the nearer edge."""
    words: str


@dataclass(frozen=True)
class Reading:
    """What one reading can be; `taken` holds those before it, by name. Unit, places and entries are the procedure's to say."""
    doubts: Callable[[Decimal, Taken, Values], Iterable[Doubt]]
    """Every doubt, the worst first; an impossible reading has just the one. The words begin with what was read and never tell
    the value to expect, since people hear what they expect."""
    possible: Callable[[Taken, Values], Pair]
    """The lowest and highest that can be true, for the listening grammar. It may be empty (low above high) when a reading
    before it was already wrong."""
    likely: Callable[[Taken, Values], Pair | None]
    """Where it most likely lies, for the ear; None where nothing is known. Never spoken or shown."""
    band: Callable[[Decimal, Values], Band] | None = None
    """Where a charge stands; None: this reading has no band."""
    own_gauge: bool = False
    """The meter's own gauge shows it: it may come by wire."""
    example: str = ""
    """What may be made up in practice, where nothing is simulated."""
    time_of_day: bool = False
    """It is keyed as 911 and means 09:11: so it is shown, and "nine eleven" is said."""


@dataclass(frozen=True)
class Span:
    low: Decimal
    high: Decimal
    """Outside these two it can't be true."""
    usual_low: Decimal
    usual_high: Decimal
    """Outside these two it is confirmed."""
    step: Decimal | None = None
    """It is read in multiples of this; None: as the instrument's places say."""


def span(low: str, high: str, usual_low: str, usual_high: str, step: str = "") -> Span:
    return Span(Decimal(low), Decimal(high), Decimal(usual_low), Decimal(usual_high), Decimal(step) if step else None)


def in_units(inch_pound: Span, si: Span | None = None) -> Callable[[Values], Span]:
    return lambda values: si if si is not None and values.si else inch_pound


def no_doubts(_value: Decimal, _taken: Taken, _values: Values) -> Iterator[Doubt]:
    return iter(())


Doubts = Callable[[Decimal, Taken, Values], Iterator[Doubt]]


def ranged(where: Callable[[Values], Span], *, outside: Callable[[Decimal, Values], str] | None = None,
           order: Callable[[Decimal, Taken], str] | None = None, sooner: Doubts = no_doubts, later: Doubts = no_doubts,
           narrowed: Callable[[Taken, Pair], Pair] = lambda _taken, ends: ends,
           likely: Callable[[Taken, Values], Pair | None] | None = None, own_gauge: bool = False, example: str = "",
           time_of_day: bool = False) -> Reading:
    """A reading with hard and usual ends. The ends are ours unless a room says otherwise.

    outside: why it can't be, in other words than the usual; order: why it can't stand beside those before it, empty where it can;
    sooner, later: doubts before and after the one that it is unusual; narrowed: the hard ends by what was read before.
    """
    def doubts(value: Decimal, taken: Taken, values: Values) -> Iterator[Doubt]:
        ends = where(values)
        said = {"value": f"{value:f}", "low": f"{ends.low:f}", "high": f"{ends.high:f}"}
        if not ends.low <= value <= ends.high:
            yield Doubt(IMPOSSIBLE, outside(value, values) if outside else sentence("fresh.outside", **said), "range")
        elif ends.step is not None and value % ends.step:
            yield Doubt(IMPOSSIBLE, sentence("fresh.step_si" if values.si else "fresh.step_us", **said), "step")
        elif order and (why := order(value, taken)):
            yield Doubt(IMPOSSIBLE, why, "order")
        else:
            yield from sooner(value, taken, values)
            if not ends.usual_low <= value <= ends.usual_high:
                side = "below" if value < ends.usual_low else "above"
                yield Doubt(DOUBTFUL, sentence(f"fresh.unusual_{side}", **said), "range")
            yield from later(value, taken, values)

    def possible(taken: Taken, values: Values) -> Pair:
        ends = where(values)
        return narrowed(taken, (ends.low, ends.high))

    def usual(taken: Taken, values: Values) -> Pair | None:
        ends = where(values)
        return (likely(taken, values) if likely else None) or (ends.usual_low, ends.usual_high)

    return Reading(doubts, possible, usual, own_gauge=own_gauge, example=example, time_of_day=time_of_day)


def not_below(other: str, words: str, equal: bool = False) -> Callable[[Decimal, Taken], str]:
    """An `order`: it must be above `other`, or may be equal to it."""
    def order(value: Decimal, taken: Taken) -> str:
        least = taken.get(other)
        return "" if least is None or value > least or equal and value == least else sentence(words, value=f"{value:f}")
    return order


def not_above(other: str, words: str, equal: bool = False) -> Callable[[Decimal, Taken], str]:
    def order(value: Decimal, taken: Taken) -> str:
        most = taken.get(other)
        return "" if most is None or value < most or equal and value == most else sentence(words, value=f"{value:f}")
    return order


# --- what is computed ---------------------------------------------------------------------------------------------------

def rule(assess: Callable[[Taken, Values], Assessment]) -> Rule:
    """A rule on the whole test from its assessment."""
    def judged(taken: Taken, values: Values, marks: Marks) -> Judgement:
        return whole(assess(taken, values), marks)
    return judged


def timely(_taken: Taken, _values: Values, marks: Marks) -> Judgement:
    """Whether the test's background clock was stopped in time: ``in_time``, ``over``, or ``lost``: then it is to be asked."""
    return Judgement({"stopped": "in_time", "over": "over"}.get(marks.clock, "lost"), "")


@dataclass(frozen=True)
class OwnValue:
    """What the method itself gives for one value, and how far an agency may move it; both ends count.

    Where each comes from stands beside its default in values.py. That an agency may set times, tolerances and limits is common
    practice, no source; how far is ours: wide enough for any that we know of, and too narrow for a point or a nought typed wrong.
    """
    name: str
    own: Pair
    agency: Pair
    check: bool = False
    """No value of the method: one of our checks on readings."""
    key: str = ""
    """The setting that it stands in; empty: that of its name."""
    used: Callable[[Values], Decimal] | None = None
    """The value that a test goes by; None: the setting's."""
    called: Callable[[Values], str] | None = None
    """How a message names it; None: by its key."""


def own(name: str, its: str, agency: str, **more: object) -> OwnValue:
    """`its` and `agency`: lowest and highest in one text."""
    (low, high), (least, most) = (map(Decimal, pair.split()) for pair in (its, agency))
    return OwnValue(name, (low, high), (least, most), **more)  # type: ignore[arg-type]


# --- the round, and a hold ----------------------------------------------------------------------------------------------

USUAL_VESSEL_FT3 = Decimal("0.25")
"""A measure or a bowl whose volume nobody gave (common practice, no source): only to say how much concrete is needed."""


def vessel_ft3(values: Values, name: str) -> Decimal:
    """Of the job's "measure_volume" or "bowl_volume", cubic feet."""
    known = values.amount(name)
    return USUAL_VESSEL_FT3 if known is None else known / units.FOOT3_IN_M3 if values.si else known


@dataclass(frozen=True)
class InRound:
    """What a round of all tests on one sample must know of this one."""
    concrete_ft3: Callable[[Values], Decimal] = lambda _values: Decimal(0)
    """How much of the sample it takes, cubic feet; a check test takes as much again."""
    takes_s: int = 0
    """About how long it takes. Ours, only to order those that are due at the same time."""
    begins_s: int = 0
    """Of these, before the work on the concrete begins."""
    within: str = ""
    """The setting that says how many seconds after the last portion it begins; empty: no limit is known."""
    by_end: bool = False
    """It is to be completed by then, not only begun; the step of its procedure that is `timed` is the judge step at its end."""
    usual: bool = True
    """A round has it unless the job says otherwise."""
    retested: bool = False
    """Out of limits: at once a check test on another portion of the same sample."""
    compared: bool = False
    """Its results may be compared with a second technician's."""
    before_sample: tuple[str, ...] = ()
    """It comes before the sample is taken, where the round has one of these tests."""
    again: bool = False
    """Before the sample it may come again: one load after the other."""
    is_sample: bool = False
    """It takes the sample: the clocks begin at its end."""
    in_bowl: str = ""
    """It may be done in the bowl of the air meter, whose own test goes on with the same concrete: the step that is left out then,
    since that test says how the bowl is filled."""
    asked_as: str = ""
    """The role of the question by which a later test of the round offers the same: where this was done, its stage is left out there."""
    full_at: str = ""
    """The step at which it begins where its bowl is full already."""
    stands: str = ""
    """Its instrument may stand in the sample meanwhile, for so many seconds: the setting that says how many."""


@dataclass(frozen=True)
class HoldWatcher:
    """Looks at the gauge's samples of a hold. The verdict stays the readings' own."""
    role: str
    """Of the holds that it watches, and of the judge step that tells what it saw."""
    cannot_pass: Callable[[Curve, Decimal, Taken, Values], bool]
    """Whether the hold, of so many seconds, can't pass any more, though it runs on."""
    shows: Callable[[Curve, Decimal, Values], tuple[str, str] | None]
    """One sentence to be said, and the note for the record; None: too few samples."""


# --- the room -----------------------------------------------------------------------------------------------------------

@dataclass(frozen=True, kw_only=True)
class Method:
    name: str
    """As scripts and records have it, and the procedure's `test`."""
    readings: Mapping[str, Reading] = field(default_factory=dict)
    results: tuple[ResultSpec, ...] = ()
    rules: Mapping[str, Rule] = field(default_factory=dict)
    """For judge steps, by name."""
    values: tuple[OwnValue, ...] = ()
    """Those that it uses, and tells that they were moved."""
    sources: Mapping[str, Provenance] = field(default_factory=dict)
    """Of its rules and constants, but for its results and values."""
    words: Callable[[Values], Mapping[str, str]] = lambda _values: {}
    """What its procedure may use in braces."""
    labels: Callable[[Taken, Values], Mapping[str, str]] = lambda _taken, _values: {}
    """What the tests after it carry, by the names of header labels."""
    work: Callable[[WorkInput], Assessment] | None = None
    """What `bowlside work` takes and gives; None: no number comes of it."""
    round: InRound | None = None
    counts_for: tuple[str, ...] = ()
    """The frequencies of a job that it counts for; "sample" where it is done on a composite sample of concrete."""
    hold: HoldWatcher | None = None
    on_meter: bool = False
    """It is done with a pressure meter, which the report names."""
    needs: tuple[str, ...] = ()
    """What it is done with besides the meter, by the kinds of the register (``meters.register.GEAR``)."""
    air_meter: bool = False
    """It measures air in concrete: its result hangs on the meter's calibration."""
    check: Callable[[Mapping[str, object], Values], None] = lambda _given, _values: None
    """Raises ValueError where what was given for a test contradicts itself."""
    lacks: Callable[[Values], Iterable[str]] = lambda _values: ()
    """What it needs and nobody gave, a sentence each: said at its start and with its verdict."""
    refuses: Callable[[Values], str] = lambda _values: ""
    """Why the job wants no such test begun as things are; empty: it may begin."""
    roles: Mapping[str, str] = field(default_factory=dict)
    """Step id as its file has it -> role, for journals from before steps had roles."""
