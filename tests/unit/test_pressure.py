"""The physics of the meter: Boyle's law in a rigid vessel, derived; checked against real gas in tests/outside/."""

from decimal import Decimal as D

import pytest

from assistant.core.methods import pressure, provenance, registry
from assistant.core.settings import Settings

STARTS = (D("14.5"), D(30), D(45))


def test_one_step_by_hand() -> None:
    # 14.5 psi in the chamber, as much bowl air as chamber: the pressure halves; then (30 + 7.25) / 2
    assert pressure.equilibrium(D("14.5"), D(0), D(1)) == D("7.25")
    assert pressure.equilibrium(D(30), D("7.25"), D(1)) == D("18.625")


@pytest.mark.parametrize("ratio", ["0.2", "1", "2.2"])
def test_the_inverse_gives_the_ratio_back_at_each_step(ratio: str) -> None:
    before = D(0)
    for charge in STARTS:
        after = pressure.equilibrium(charge, before, D(ratio))
        assert before < after < charge
        assert pressure.bowl_ratio(charge, after, before) == pytest.approx(D(ratio), rel=D("1e-24"))
        before = after
    assert pressure.last_equilibrium(STARTS, D(ratio)) == before


def test_air_content_and_its_calibration_are_inverse() -> None:
    air = pressure.air_content(D("14.5"), D("7.91"), D("0.06"), D("0.3"))
    ratio = pressure.chamber_ratio_from(air + D("0.3"), D("14.5"), D("7.91"))
    assert ratio == pytest.approx(D("0.06"), rel=D("1e-24"))
    assert pressure.air_content(D("14.5"), D("7.25"), D("0.06"), D("0.3")) == D("5.7")


def test_the_metric_is_exact() -> None:
    assert str(pressure.system_air_metric(D("31.81"), D("32.01"))) == "0.20"


def test_start_pressure_effect_is_the_difference_of_two_whole_runs() -> None:
    second = (D("14.55"), D("30.02"), D("45.10"))
    whole = pressure.last_equilibrium(second, D("1.3")) - pressure.last_equilibrium(STARTS, D("1.3"))
    assert pressure.start_pressure_effect(STARTS, second, D("1.3")) == pytest.approx(whole, abs=D("1e-24"))
    assert pressure.start_pressure_effect(STARTS, STARTS, D("1.3")) == 0


def test_every_setting_and_result_has_a_standing() -> None:
    for name in [*Settings().to_mapping(), "air_content", "system_air_metric", "leak_drop"]:
        assert str(registry.SOURCES[name]).startswith(provenance.KINDS)


def test_a_standing_reads_as_a_line_and_claims_nothing_else() -> None:
    assert str(registry.SOURCES["system_air_metric"]).startswith("from memory, about 90 % sure: ")
    with pytest.raises(ValueError, match="is no provenance"):
        provenance.Provenance("certain", "")
    for row in registry.SOURCES.values():
        assert not any(word in str(row).lower() for word in ("conform", "complies", "compliant"))
        assert (row.sure is not None) == (row.kind == provenance.MEMORY)  # a memory always says how sure
