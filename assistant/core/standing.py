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
    "leak_drop": Standing(COMMON, "first reading less last reading of the hold"),
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
    # -- the other tests: results
    "density": Standing(SECOND_HAND, "C138: (full less empty) / volume of the measure"),
    "yield": Standing(PUBLISHED, "C138-17 notes: mass of all that was batched / density (/ 27 for cubic yards)"),
    "relative_yield": Standing(SECOND_HAND, "C138: yield / design yield; over 1.00 is more concrete than designed"),
    "theoretical_density": Standing(PUBLISHED, "C138-17 note: mass batched / its volume without air"),
    "gravimetric_air": Standing(SECOND_HAND, "C138: 100 (T - D) / T; a negative value is flagged, never clamped"),
    "cement_content": Standing(SECOND_HAND, "C138: cementitious mass / yield, the yield unrounded"),
    "slump": Standing(SECOND_HAND, "C143: from the mould's height to the displaced original centre"),
    "temperature": Standing(PUBLISHED, "C1064-03 4.1-4.3 and an agency's checklist of 2014: read in place"),
    "aggregate_correction": Standing(MEMORY, "Type B: reading less the water withdrawn, % of the bowl", 90),
    "fine_sample": Standing(MEMORY, "Fs = (S / B) Fb, moist masses", 90),
    "coarse_sample": Standing(MEMORY, "Cs = (S / B) Cb, moist masses", 90),
    "type_b_air": Standing(PUBLISHED, "Illinois Modified T 152 checklist, 2009: gauge reading less the aggregate correction"),
    "type_a_air": Standing(MEMORY, "h1 - h2 less the aggregate correction", 85),
    "chamber_ratio_found": Standing(DERIVED, "Boyle's law: k = (A0 / 100) E / (P - E), mean of the passes"),
    "canister_air": Standing(PUBLISHED, "Iowa DOT IM 318 (Oct 2016): 100 x canister / bowl volume, to 0.05 %"),
    "canister_error": Standing(PUBLISHED, "Iowa DOT IM 318 (Oct 2016): gauge reading less the canister's effective air"),
    "gauge_error": Standing(COMMON, "largest difference of the gauge from the reference, its sign kept"),
    "cylinder_mass": Standing(DERIVED, "volume of the cylinder x density"),
    "cylinders_made": Standing(COMMON, "as counted by the technician"),
    "cure_high": Standing(MEMORY, "C31: highest temperature of the initial cure is logged", 95),
    "cure_low": Standing(MEMORY, "C31: lowest temperature of the initial cure is logged", 95),
    "cure_hours": Standing(MEMORY, "C31: initial cure up to 48 h", 95),
    # -- the other tests: rules and reporting
    "report_density": Standing(MEMORY, "0.1 lb/ft3 or 1 kg/m3", 60),
    "report_yield": Standing(MEMORY, "0.01", 60),
    "report_relative_yield": Standing(MEMORY, "0.01", 60),
    "report_theoretical_density": Standing(MEMORY, "as density", 60),
    "report_gravimetric_air": Standing(MEMORY, "0.1 %", 60),
    "report_cement_content": Standing(COMMON, "1 lb/yd3 or 1 kg/m3"),
    "report_slump": Standing(SECOND_HAND, "C143: nearest 1/4 in.; 5 mm from memory"),
    "report_temperature": Standing(PUBLISHED, "C1064-03: nearest 1 F or 0.5 C"),
    "report_aggregate_correction": Standing(SECOND_HAND, "C231: the gauge is readable to 0.1 %"),
    "report_fine_sample": Standing(COMMON, "0.01 lb or kg"),
    "report_coarse_sample": Standing(COMMON, "0.01 lb or kg"),
    "report_chamber_ratio": Standing(COMMON, "0.0001, about 0.01 points of air at 6 %"),
    "report_canister_air": Standing(PUBLISHED, "Iowa DOT IM 318 rounds to 0.05 %"),
    "report_canister_error": Standing(SECOND_HAND, "C231: the gauge is readable to 0.1 %"),
    "report_gauge_error": Standing(COMMON, "the gauge reads to 0.01 psi"),
    "report_cylinder_mass": Standing(COMMON, "0.1 lb or 0.01 kg"),
    "report_cylinders_made": Standing(COMMON, "a count"),
    "report_cure_high": Standing(COMMON, "as the concrete's temperature"),
    "report_cure_low": Standing(COMMON, "as the concrete's temperature"),
    "report_cure_hours": Standing(COMMON, "whole hours"),
    "density_band": Standing(SECOND_HAND, "140 to 150 lb/ft3 for normal weight; near 290 usually the tare or volume is wrong"),
    "slump_range": Standing(SECOND_HAND, "C143: valid about 1/2 to 9 in.; sheared or collapsed: discard, another portion"),
    "temperature_range": Standing(PUBLISHED, "C1064-03: a device for 30 to 120 F; below freezing no concrete is fresh: derived"),
    "air_reading_range": Standing(SECOND_HAND, "Concrete Construction on C231-04: the gauge reaches at least 8 %"),
    "initial_cure": Standing(MEMORY, "C31: 60 to 80 F, 68 to 78 F from 6000 psi on; 27 and 20 C and so on converted", 95),
    # -- quality
    "metric_uncertainty": Standing(
        DERIVED, "ideal gas; reading steps and starts as even distributions, combined in squares, twice the standard one"),
    "air_chart": Standing(PUBLISHED, "UFGS 03373: warn at 1.0, act at 1.5 points from mid; at act a second test, their average"),
    "air_range_chart": Standing(PUBLISHED, "UFGS 03373: range of two tests: warn at 2.0, act at 3.0"),
    "slump_range_chart": Standing(PUBLISHED, "UFGS 03700: range of two consecutive slumps not over 2 in."),
    "retest": Standing(SECOND_HAND, "C94, older wording: check test at once on another portion; a second failure fails the load"),
    "retest_metric": Standing(COMMON, "no rule was found for a system air metric out of its limit, once or twice"),
    "preliminary": Standing(PUBLISHED, "ASTM work item WK77546, 2021: a preliminary sample may be adjusted, never rejects"),
    "two_slump": Standing(MEMORY, "C143-20 multi-laboratory d2s 0.82, 1.10, 1.50 in. at 1.2, 3.4, 6.5 in.", 85),
    "two_slump_old": Standing(SECOND_HAND, "C143-98: two people 0.83 in., from slumps of 1 1/2 to 2 3/4 in."),
    "two_temperature": Standing(SECOND_HAND, "C1064: two people 1.9 F, training slides"),
    "two_density": Standing(MEMORY, "C138: two people 2.31 lb/ft3", 85),
    "two_air_content": Standing(SECOND_HAND, "C231 Type A: two people 0.8 %, training slides"),
    # -- settings of the other tests
    "units": Standing(COMMON, "inch-pound or si, as the job is written"),
    "strength_psi": Standing(COMMON, "the job's specified strength; none known by default"),
    "cylinder": Standing(COMMON, "4 x 8 in.; the job's own choice"),
    **{f"{name}_{unit}": Standing(COMMON, "the job's or the meter's own; none known by default") for name, two in (
        ("measure_volume", "ft3 m3"), ("batch_mass", "lb kg"), ("design_yield", "yd3 m3"), ("air_free_volume", "ft3 m3"),
        ("cementitious", "lb kg"), ("bowl_volume", "ft3 m3"), ("batch_volume", "ft3 m3"), ("fine_aggregate", "lb kg"),
        ("coarse_aggregate", "lb kg")) for unit in two.split()},
    "canister_ft3": Standing(PUBLISHED, "Iowa DOT IM 318 (Oct 2016): a canister of 0.0125 ft3"),
    "canister_tolerance_pct": Standing(COMMON, "one step of the gauge; no published tolerance was found"),
    "gauge_tolerance_psi": Standing(COMMON, "as much as the start band; no published tolerance was found"),
    "thermometer_s": Standing(PUBLISHED, "C1064-03: at least 2 minutes in the concrete, read within 5"),
    "slump_s": Standing(SECOND_HAND, "C143: the whole test within 2 1/2 minutes"),
    "start_within_s": Standing(MEMORY, "C172: slump, temperature and air begun within 5 minutes of the last portion", 95),
    "mould_within_s": Standing(MEMORY, "C172: moulding begun within 15 minutes of the last portion", 95),
    "portions_within_s": Standing(SECOND_HAND, "C172-17: portions at most 15 minutes apart"),
    "lift_s": Standing(SECOND_HAND, "C143: lifted in 5 s, give or take 2"),
}


def of(name: str) -> str:
    """The text of the standing of one constant, rule or setting of TABLE; KeyError when there is none."""
    return text(TABLE[name])
