"""Reading a job file and checking all of it at once: every mistake is told with file, line, key and what is allowed."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.charts import RULES, Levels
from assistant.core.methods.registry import COUNTED
from assistant.core.methods.values import near, number, shown, unknown
from assistant.core.quality import LEAST, Plan
from assistant.core.settings import LIMITED, Settings
from assistant.files import by_hand, plain
from assistant.files.refusal import Refusal
from assistant.job.places import line_of
from assistant.meters.register import GEAR
from assistant.record import header
from assistant.round import plan

LABELS = ("job", "contract_item", "owner", "contractor", "producer", "plant", "station", "technician", "certification",
          "certification_expires", "meter", "mix", "aggregate_source", "location", "sample_point", "remark")
"""Texts for the record and the report. Those in ``header.LABELS`` go into each test's header."""
SWITCHES = ("invented", "practice")
SETTINGS = tuple(one.name for one in fields(Settings))
TABLES = ("equipment", "levels", "retest", "frequency", "mixes", "round", "acceptance")
SAMPLED = tuple(COUNTED)
"""What ``[frequency.NAME]`` may be about; ``sample`` is the whole composite sample."""
VOLUMES = ("yd3", "m3")
TOLD, REFUSED = "told", "refused"
"""What becomes of a test that would begin with something overdue; a meter that is unfit is refused in any job."""


MOST_MIXES = 1000
"""More than any contract has; each is checked by itself. Ours."""


class JobError(Refusal):
    """A job file is wrong: file, line, key, what is allowed."""


@dataclass(frozen=True)
class Frequency:
    """How often to sample, on one day for one mix."""
    every: Decimal | None = None
    """One for each so many cubic yards or meters, or part of it."""
    at_least_per_day: int = 0
    waived_under: Decimal | None = None
    """Under this the volume asks for none; the day still may."""
    unit: str = VOLUMES[0]

    def to_mapping(self) -> dict[str, Any]:
        """As it is written in the file."""
        return {f"every_{self.unit}": self.every, "at_least_per_day": self.at_least_per_day,
                f"waived_under_{self.unit}": self.waived_under}


@dataclass(frozen=True)
class Mix:
    name: str
    texts: Mapping[str, str] = field(default_factory=dict)
    """``class`` and ``aggregate_source``."""
    batch: Mapping[str, Decimal] = field(default_factory=dict)
    """Material to mass, in ``unit``: everything batched, water included."""
    unit: str = "lb"
    cementitious: tuple[str, ...] = ()
    """Which of the materials."""
    given: Mapping[str, Any] = field(default_factory=dict)
    """Settings that this mix has of its own; they win over the job's."""

    @property
    def batch_mass(self) -> Decimal | None:
        return sum(self.batch.values(), Decimal(0)) if self.batch else None

    @property
    def cementitious_mass(self) -> Decimal | None:
        return sum((self.batch[name] for name in self.cementitious), Decimal(0)) if self.cementitious else None


@dataclass(frozen=True)
class Job:
    path: Path
    labels: Mapping[str, Any]
    given: Mapping[str, Any]
    """Settings as written, limits as pairs."""
    levels: Mapping[str, Levels] = field(default_factory=dict)
    retest: Mapping[str, bool] = field(default_factory=dict)
    round: Mapping[str, Any] = field(default_factory=dict)
    """Of ``[round]``: ``tests``, ``technicians`` and ``second``, as ``round_plan.check`` takes them."""
    equipment: Mapping[str, str] = field(default_factory=dict)
    """Of ``[equipment]``: kind of the register to name, and ``overdue``: TOLD or REFUSED."""
    frequency: Mapping[str, Frequency] = field(default_factory=dict)
    acceptance: Mapping[str, Plan] = field(default_factory=dict)
    """Result -> its lots and moving average, over the days."""
    mixes: Mapping[str, Mix] = field(default_factory=dict)
    text: str = ""

    def where(self, *key: str) -> str:
        """File and line of a key, as messages begin."""
        line = line_of(self.text, *key)
        return f"{self.path}" if line is None else f"{self.path} line {line}"

    @property
    def invented(self) -> bool:
        return bool(self.labels.get("invented"))

    def mix(self, name: str | None = None) -> Mix | None:
        """The mix of that name, else the job's own; None where the file describes none. JobError: no such mix."""
        wanted = name or self.labels.get("mix")
        if name and name not in self.mixes:
            raise JobError(f'{self.where("mixes")}: there is no mix "{name}"; the mixes are '
                           f'{", ".join(self.mixes) or "none"}.')
        return self.mixes.get(wanted) if wanted else None

    def rule(self, mix: str | None = None) -> str:
        """How this job rounds."""
        return Settings.from_mapping(self.settings(mix if mix in self.mixes else None)).rounding

    def aggregate_source(self, mix: str | None = None) -> str:
        """Whose correction factor the meter register is asked for; empty where none is named."""
        own = self.mix(mix)
        return (own.texts.get("aggregate_source") if own else None) or self.labels.get("aggregate_source", "")

    def settings(self, mix: str | None = None) -> dict[str, Any]:
        """The job's settings with those of the mix on top, for ``Settings.from_mapping``; limits are joined by result."""
        own = self.mix(mix)
        found = {**self.given, **(own.given if own else {})}
        if own and "limits" in own.given:
            found["limits"] = {**self.given.get("limits", {}), **own.given["limits"]}
        return found


def read(path: Path, mix: str | None = None) -> dict[str, Any]:
    """Labels and settings of the job, as ``header.header_of`` takes them. Raises JobError."""
    job = load(path)
    labels = {**job.labels, **({"mix": mix} if mix else {})}
    return {**{key: value for key, value in labels.items() if key in header.LABELS}, **job.settings(mix)}


def load(path: Path) -> Job:
    """The whole job, checked. Raises JobError."""
    try:
        return of_text(by_hand.text(path), path)
    except by_hand.Unreadable as why:
        raise JobError(f"The job file {path} can't be read: {why}. Mend it, or name another with --job.") from None


def of_text(text: str, path: Path) -> Job:
    """The same of a file that was read already. Raises JobError, and by_hand.Unreadable where it is no TOML."""
    return _Check(path, text).whole(by_hand.toml(text, Decimal))


class _Check:
    """One file being checked; every complaint knows its line.

    By hand: the checkers that there are name a place in the parsed data, no line, in words for programmers ("is less than the
    minimum"), and take 0.20 for 0.2; and what is checked together (a mix under its job, limits under units) would stay here.
    """

    def __init__(self, path: Path, text: str) -> None:
        self.job = Job(path, {}, {}, text=text)

    def wrong(self, key: tuple[str, ...], why: str) -> JobError:
        return JobError(f"{self.job.where(*key)}: {why}.")

    def whole(self, given: Mapping[str, Any]) -> Job:
        self.known(given, (*LABELS, *SWITCHES, "speech", *SETTINGS, *TABLES))
        labels: dict[str, Any] = {key: self.text(value, key) for key, value in given.items() if key in (*LABELS, "speech")}
        labels |= {key: self.switch(value, key) for key, value in given.items() if key in SWITCHES}
        settings = self.settings({key: value for key, value in given.items() if key in SETTINGS})
        levels = {name: self.levels(value, name) for name, value in self.table(given.get("levels", {}), "levels").items()}
        retest = self.table(given.get("retest", {}), "retest")
        self.known(retest, ("check_test", "preliminary_sample"), "retest")
        round_ = self.table(given.get("round", {}), "round")
        self.known(round_, ("tests", "technicians", "second", "density_in"), "round")
        equipment = self.table(given.get("equipment", {}), "equipment")
        self.known(equipment, (*GEAR, "overdue"), "equipment")
        if equipment.get("overdue", TOLD) not in (TOLD, REFUSED):
            raise self.wrong(("equipment", "overdue"), f'overdue is {shown(equipment["overdue"])}: it must be "{TOLD}" or "{REFUSED}"')
        frequency = self.table(given.get("frequency", {}), "frequency")
        self.known(frequency, SAMPLED, "frequency")
        acceptance = self.table(given.get("acceptance", {}), "acceptance")
        mixes = self.table(given.get("mixes", {}), "mixes")
        if len(mixes) > MOST_MIXES:
            raise self.wrong(("mixes",), f"it describes {len(mixes)} mixes: at most {MOST_MIXES} can stand in one job file")
        job = Job(self.job.path, labels, settings, levels,
                  {key: self.switch(value, "retest", key) for key, value in retest.items()},
                  {key: self.of_round(value, key) for key, value in round_.items()},
                  {key: self.text(value, "equipment", key) for key, value in equipment.items()},
                  {name: self.frequency(value, name) for name, value in frequency.items()},
                  {name: self.acceptance(value, name) for name, value in acceptance.items()},
                  {name: self.mix(value, name) for name, value in mixes.items()}, self.job.text)
        if mixes and labels.get("mix") not in (None, *mixes):
            raise self.wrong(("mix",), f'mix "{labels["mix"]}" is not described; the mixes are {", ".join(mixes)}')
        for name in job.mixes:
            self.together(job.settings(name), ("mixes", name))
        return job

    # --- the parts -------------------------------------------------------------------------------------------------

    def settings(self, given: Mapping[str, Any], *place: str) -> dict[str, Any]:
        """Settings as written, checked one by one and together; limits become pairs."""
        found = dict(given)
        if "limits" in found:
            limits = self.table(found["limits"], *place, "limits")
            found["limits"] = {name: self.limits(value, (*place, "limits", name)) for name, value in limits.items()}
        self.together(found, place)
        return found

    def together(self, given: Mapping[str, Any], place: tuple[str, ...]) -> None:
        try:
            Settings.for_test(given)
        except ValueError as error:
            named = sorted((str(error).find(key), key) for key in given if key in str(error))
            raise self.wrong((*place, *(key for _, key in named[:1])), str(error).removesuffix(".")) from None

    def limits(self, value: Any, key: tuple[str, ...]) -> list[Any]:
        name = key[-1]
        if name not in LIMITED:
            raise self.wrong(key, f'"{name}" is no result that a limit can be set on{near(name, LIMITED)}; '
                                  f'the results are {", ".join(LIMITED)}')
        if not isinstance(value, Mapping) or not value or not set(value) <= {"min", "max"}:
            raise self.wrong(key, f"limits, {name}: write {{ min = …, max = … }}, or one of the two; not {_shown(value)}")
        pair = [value.get("min"), value.get("max")]
        try:
            Settings.for_test({"limits": {name: pair}})
        except ValueError as error:
            raise self.wrong(key, str(error)) from None
        return pair

    def of_round(self, value: Any, key: str) -> Any:
        try:
            return plan.check(key, value)
        except ValueError as error:
            raise self.wrong(("round", key), str(error)) from None

    def levels(self, value: Any, name: str) -> Levels:
        if name not in LIMITED:
            raise self.wrong(("levels", name), f'"{name}" is no result{near(name, LIMITED)}; '
                                               f'the results are {", ".join(LIMITED)}')
        table = self.table(value, "levels", name)
        self.known(table, tuple(one.name for one in fields(Levels)), "levels", name)
        given: dict[str, Any] = {key: self.count(each, RULES[key], "levels", name, key) if key in RULES
                                 else self.number(each, "levels", name, key) for key, each in table.items()}
        found = Levels(**given)
        for low, high in (("warning", "action"), ("range_warning", "range_action")):
            least, most = getattr(found, low), getattr(found, high)
            if least is not None and most is not None and least > most:
                raise self.wrong(("levels", name, low), f"{low} is {least} and {high} {most}: {low} must not be the higher")
        if found.target is None and (found.warning is not None or found.action is not None):
            raise self.wrong(("levels", name), "warning and action are distances from the target: give target too")
        return found

    def acceptance(self, value: Any, name: str) -> Plan:
        place = ("acceptance", name)
        if name not in LIMITED:
            raise self.wrong(place, f'"{name}" is no result{near(name, LIMITED)}; the results are {", ".join(LIMITED)}')
        table = self.table(value, *place)
        self.known(table, tuple(one.name for one in fields(Plan)), *place)
        given: dict[str, Any] = {key: self.number(each, *place, key) if key == "percent_within"
                                 else self.count(each, 0, *place, key) for key, each in table.items()}
        plan = Plan(**given)
        if plan.lot_tests and plan.lot_days:
            raise self.wrong((*place, "lot_days"), "give lot_tests or lot_days, not both")
        if plan.percent_within is not None and not (plan.lot_tests or plan.lot_days):
            raise self.wrong((*place, "percent_within"), "a percent within limits is of a lot: give lot_tests or lot_days too")
        if plan.percent_within is not None and plan.percent_within > 100:
            raise self.wrong((*place, "percent_within"), f"percent_within is {plan.percent_within}: it must be at most 100")
        if 0 < plan.lot_tests < LEAST:
            raise self.wrong((*place, "lot_tests"), f"lot_tests is {plan.lot_tests}: fewer than {LEAST} give no percent")
        return plan

    def frequency(self, value: Any, name: str) -> Frequency:
        table = self.table(value, "frequency", name)
        by_unit = {unit: (f"every_{unit}", f"waived_under_{unit}") for unit in VOLUMES}
        self.known(table, (*by_unit["yd3"], *by_unit["m3"], "at_least_per_day"), "frequency", name)
        used = [unit for unit in VOLUMES if set(by_unit[unit]) & set(table)]
        if len(used) > 1:
            raise self.wrong(("frequency", name), "volumes are in cubic yards and in cubic meters: give all of it in one")
        found: dict[str, Any] = {key.removesuffix(f"_{used[0]}") if used else key: self.number(each, "frequency", name, key)
                                 for key, each in table.items()}
        if "at_least_per_day" in found:
            found["at_least_per_day"] = self.count(found["at_least_per_day"], 0, "frequency", name, "at_least_per_day")
        if found.get("every") == 0:
            key = f"every_{used[0]}"
            raise self.wrong(("frequency", name, key), f"{key} is 0: it must be more than that")
        if not set(found) & {"every", "at_least_per_day"}:
            raise self.wrong(("frequency", name), f'"{name}" needs every_yd3, every_m3 or at_least_per_day')
        if used:
            found["unit"] = used[0]
        return Frequency(**found)

    def mix(self, value: Any, name: str) -> Mix:
        table, place = self.table(value, "mixes", name), ("mixes", name)
        texts, own = ("class", "aggregate_source"), ("batch_lb", "batch_kg", "cementitious")
        self.known(table, (*texts, *own, *SETTINGS), *place)
        batches = [key for key in own[:2] if key in table]
        if len(batches) > 1:
            raise self.wrong((*place, "batch_kg"), "give batch_lb or batch_kg, not both")
        unit = batches[0].removeprefix("batch_") if batches else "lb"
        batch = {each: self.number(mass, *place, f"batch_{unit}", each)
                 for each, mass in self.table(table.get(f"batch_{unit}", {}), *place, f"batch_{unit}").items()}
        cement = table.get("cementitious", [])
        if not isinstance(cement, list) or not all(isinstance(each, str) and each in batch for each in cement):
            raise self.wrong((*place, "cementitious"), f'cementitious is {_shown(cement)}: it must be a list of materials of the '
                                                       f'batch; those are {", ".join(batch) or "none yet"}')
        mix = Mix(name, {key: self.text(table[key], *place, key) for key in texts if key in table}, batch, unit, tuple(cement))
        given = {key: each for key, each in table.items() if key in SETTINGS}
        for key, mass in ((f"batch_mass_{unit}", mix.batch_mass), (f"cementitious_{unit}", mix.cementitious_mass)):
            if mass is not None and key in given:
                raise self.wrong((*place, key), f"{key} is given and so are the masses that it is the sum of: leave it out")
            if mass is not None:
                given[key] = mass
        return replace(mix, given=self.settings(given, *place))

    # --- single values ---------------------------------------------------------------------------------------------

    def known(self, table: Mapping[str, Any], allowed: tuple[str, ...], *place: str) -> None:
        for key in table:
            if key not in allowed:
                raise self.wrong((*place, key), unknown(key, allowed))

    def table(self, value: Any, *key: str) -> Mapping[str, Any]:
        if not isinstance(value, Mapping):
            raise self.wrong(key, f'"{key[-1]}" is {_shown(value)}: it must be a table, such as [{".".join(key)}] '
                                  "with a key on each line below it")
        return value

    def text(self, value: Any, *key: str) -> str:
        if not plain.is_line(value) or not value.strip():
            raise self.wrong(key, f'"{key[-1]}" is {_shown(value)}: it must be {plain.RULE}, in quotes')
        return value

    def switch(self, value: Any, *key: str) -> bool:
        if not isinstance(value, bool):
            raise self.wrong(key, f'"{key[-1]}" is {_shown(value)}: it must be true or false')
        return value

    def count(self, value: Any, most: int, *key: str) -> int:
        """A whole number; ``most``, where it is not 0, is the highest."""
        found = self.number(value, *key)
        if found != int(found):
            raise self.wrong(key, f"{key[-1]} is {found}: it must be a whole number")
        if most and found > most:
            raise self.wrong(key, f"{key[-1]} is {found}: it is so many of {most} in a row, so at most {most}")
        return int(found)

    def number(self, value: Any, *key: str) -> Decimal:
        try:
            found = number(key[-1], value if not isinstance(value, str) else None)
        except ValueError as error:
            raise self.wrong(key, str(error) if not isinstance(value, str) else
                             f"{key[-1]} is {_shown(value)}: it must be a number, without quotes") from None
        if found < 0:
            raise self.wrong(key, f"{key[-1]} is {found}: it must not be negative")
        return found


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        return shown({key: str(each) for key, each in value.items()})
    return shown(value)
