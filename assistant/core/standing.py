"""Where each constant and rule comes from, in one table.

Nothing here claims conformance to a standard: no clause of one was read in full. A row says how far the
number can be trusted, and its text is shown beside every result.
"""

from dataclasses import dataclass

PUBLISHED = "published"
SECOND_HAND = "published, second-hand"
COMMON = "common practice, no source"
MEMORY = "from memory"
DERIVED = "derived"
KINDS = (PUBLISHED, SECOND_HAND, COMMON, MEMORY, DERIVED)


@dataclass(frozen=True)
class Standing:
    """How far a number or rule can be trusted, and why."""

    kind: str
    """One of KINDS."""
    source: str
    """The title and clause, or in one phrase what it rests on."""
    sure: int | None = None
    """For what is from memory: a guess at the confidence, in percent."""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"{self.kind!r} is no standing: it must be one of {', '.join(KINDS)}")


def text(standing: Standing) -> str:
    """The standing as one line, such as "from memory, about 90 % sure: E2.3 minus E1.3 ..."."""
    sure = f", about {standing.sure} % sure" if standing.sure is not None else ""
    return f"{standing.kind}{sure}: {standing.source}"


_STAGES = "the sequential test as it is done in the field"
_CHECKS = "a check on readings, engineering judgement from the ideal-gas model, in no standard"

TABLE: dict[str, Standing] = {
    # -- the two results, and the rules they rest on
    "air_content": Standing(
        MEMORY,
        "100 k (P - E) / E at run 1 step 1, less the aggregate correction; Boyle's law in gauge pressures "
        "gives the formula, the standard's own equation was not seen", 85),
    "system_air_metric": Standing(
        MEMORY, "E2.3 - E1.3 in psi, as research papers give it; TP 118's own clause was not seen", 90),
    "leak_drop": Standing(COMMON, "first reading less last reading of a five-minute hold near 45 psi"),
    "equilibrium": Standing(
        DERIVED, "Boyle's law, rigid vessel, constant temperature: P Vc + E0 Va = E (Vc + Va), gauge"),
    "start_pressure_effect": Standing(
        DERIVED, "the same model with the same bowl air in both runs; a warning, never a correction"),
    "half-even": Standing(MEMORY, "ASTM E29 rounds an exact 5 to the even digit", 95),
    "half-up": Standing(PUBLISHED, "Iowa DOT IM 202 rounds an exact 5 always up"),
    "compare": Standing(PUBLISHED, "Iowa DOT IM 202: compared after rounding to the last place of the limit"),
    "report_air_content": Standing(MEMORY, "air content to the nearest 0.1 %", 85),
    "report_system_air_metric": Standing(MEMORY, "written to 0.01 psi", 90),
    "report_leak_drop": Standing(COMMON, "the gauge reads to 0.01 psi"),
    "exact_zero": Standing(COMMON, "a metric of exactly 0.00 is more likely a repeated value: " + _CHECKS),
    "hard_order": Standing(DERIVED, "0 < E1 < P1 and E(n-1) < En < Pn, whatever the concrete"),
    "run_differences": Standing(
        DERIVED, "bubbles lost between the runs raise E more at each step; unproven: " + _CHECKS),
    "leak_far_psi": Standing(COMMON, "a reading this far from where the hold belongs is more likely a slip"),
    "leak_curve": Standing(
        DERIVED, "a leak through a small hole loses nearly a straight line in five minutes, pumped air cools exponentially; "
        "it explains a verdict and never gives one"),
    "leak_curve_allowed": Standing(COMMON, "0.12 psi in five minutes, so 0.024 psi a minute"),
    "leak_curve_cooling": Standing(DERIVED, "0.21 psi a degree C near 46 psi: absolute pressure / absolute temperature"),
    # -- settings, by the names of settings.Settings
    "chamber_ratio": Standing(
        COMMON, "a placeholder, not measured: calibrate k = chamber volume / bowl volume on each meter"),
    "aggregate_correction_pct": Standing(
        COMMON, "0 stands for none known; the test is only for concrete whose correction can be found"),
    "limits": Standing(COMMON, "the job's own limits; none by default"),
    "rounding": Standing(MEMORY, "half-even, as ASTM E29 rounds an exact 5; a job may choose half-up", 95),
    "step_targets": Standing(
        MEMORY, "14.5, 30 and 45 psi in the chamber, the bowl never let down in between", 85),
    "band_psi": Standing(MEMORY, "a start within 0.05 psi of the step", 65),
    "leak_low": Standing(COMMON, _STAGES),
    "leak_high": Standing(COMMON, _STAGES),
    "leak_limit_psi": Standing(COMMON, _STAGES),
    "leak_hold_s": Standing(COMMON, _STAGES),
    "leak_settle_s": Standing(COMMON, _STAGES + ": 5 to 10 s"),
    "settle_s": Standing(COMMON, _STAGES),
    "tap_s": Standing(COMMON, _STAGES),
    "tap_every_s": Standing(COMMON, "one blow a second, to pace the hand; " + _STAGES + " says only smartly"),
    "hold_after_tap_s": Standing(COMMON, _STAGES + ": at least 5 s after the last blow"),
    "clamps": Standing(COMMON, "six is usual for 45 psi"),
    "max_psi": Standing(COMMON, "never charge above the meter's marked maximum"),
    "air_low_pct": Standing(DERIVED, _CHECKS),
    "air_high_pct": Standing(DERIVED, _CHECKS),
    "metric_high_psi": Standing(DERIVED, _CHECKS),
    "ratio_difference": Standing(DERIVED, _CHECKS),
    "below_prediction_psi": Standing(DERIVED, _CHECKS),
    "above_prediction_psi": Standing(DERIVED, _CHECKS),
}


def of(name: str) -> str:
    """The text of the standing of one constant, rule or setting of TABLE; KeyError when there is none."""
    return text(TABLE[name])
