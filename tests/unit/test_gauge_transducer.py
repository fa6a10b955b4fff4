"""A transducer on an MCP3008 that really shifts bits, under gpiozero's own driver and mock pins.

Sources: the converter's bits from its data sheet (from memory, as gpiozero's driver has them too); the straight line
against scipy; what a transducer gives of its supply is common practice, no source.
"""

from __future__ import annotations

import os
import random
from decimal import Decimal
from fractions import Fraction

import gpiozero
import pytest
from scipy import stats

from hardware.gauges import GaugeSettingsError, settings, supervisor
from hardware.gauges.fake_converter import BenchFactory, FakeConverter
from hardware.gauges.sample import GaugeGone, NotAReading, Refused, Sample
from hardware.gauges.transducer import Transducer, TwoPoints
from tests.unit.gauge_wire import Told, told_by

POINTS = TwoPoints(Decimal("0.1"), Decimal(0), Decimal("0.9"), Decimal(60))


@pytest.fixture
def bench(monkeypatch):
    factory = BenchFactory()
    monkeypatch.setattr(gpiozero.Device, "pin_factory", factory)
    yield factory
    factory.close()


def transducer(supply: int | None = None, points: TwoPoints = POINTS, reads: int = 1, channel: int = 0,
               select: int = 0) -> Transducer:
    return Transducer(points, channel, supply, select, reads, 0.0, lambda: 7.0, lambda seconds: None)


def one(source: Transducer) -> Sample | Refused:
    source.open()
    try:
        found, = source.read()
        return found
    finally:
        source.close()


@pytest.mark.parametrize("channel", range(8))
def test_every_count_of_every_channel_comes_through_exactly(bench, channel):
    converter = FakeConverter(bench, lambda asked: count if asked == channel else 1)
    source = transducer(channel=channel, points=TwoPoints(Decimal(0), Decimal(0), Decimal(1), Decimal(1023)))
    source.open()
    for count in (1, 2, 3, 4, 8, 85, 170, 511, 512, 682, 1021, 1022):
        found, = source.read()
        assert found == Sample(7.0, Decimal(count), f"ratio {count / 1023:.4f}, counts {count} of 1")
    source.close()
    converter.close()


def test_the_other_chip_select(bench):
    FakeConverter(bench, lambda asked: 100, select=0)
    FakeConverter(bench, lambda asked: 900, select=1)
    assert one(transducer(select=1)).raw == "ratio 0.8798, counts 900 of 1"


def test_a_supply_that_sags_changes_nothing(bench):
    for supply in (1000, 800, 600):
        with FakeConverter(bench, lambda asked, supply=supply: supply if asked == 1 else supply // 2):
            assert one(transducer(supply=1)).psi == 30
    FakeConverter(bench, lambda asked: 300)
    assert one(transducer()).psi < 20  # without the reference channel the same sag would be taken for a pressure


def test_the_line_is_scipys(bench):
    given = random.Random(4)
    for _ in range(50):
        low, high = sorted(given.sample(range(5, 96), 2))
        points = TwoPoints(Decimal(low) / 100, Decimal(given.randint(-5, 40)),
                           Decimal(high) / 100, Decimal(given.randint(41, 90)))
        theirs = stats.linregress([low / 100, high / 100], [float(points.low_psi), float(points.high_psi)])
        ratio = Fraction(given.randint(low, high), 100)
        assert float(points.psi(ratio)) == pytest.approx(theirs.intercept + theirs.slope * float(ratio), abs=1e-9)


def test_the_mean_of_many_reads_lies_between_two_counts(bench):
    noisy = random.Random(5)
    FakeConverter(bench, lambda asked: 500 + (noisy.random() < 0.25))
    found = one(transducer(reads=400, points=TwoPoints(Decimal(0), Decimal(0), Decimal(1), Decimal(1023))))
    assert found.psi == pytest.approx(Decimal("500.25"), abs=Decimal("0.07"))


def test_a_channel_at_its_end_is_no_pressure_even_where_the_line_begins_at_zero(bench):
    FakeConverter(bench, lambda asked: 800 if asked == 1 else 0)
    found = one(transducer(supply=1, points=TwoPoints(Decimal(0), Decimal(0), Decimal(1), Decimal(60))))
    assert isinstance(found, Refused) and "a wire is off" in found.why


@pytest.mark.parametrize("counts, why", [
    ((0, 0), "nothing is on the SPI bus"),
    ((1023, 1023), "nothing is on the SPI bus"),
    ((0, 800), "a wire is off"),
    ((1023, 800), "a wire is off"),
    ((200, 299), "check the transducer's supply"),
    ((500, 1023), "check the transducer's supply"),
    ((40, 800), "outside 0.1 to 0.9"),   # 0.05 of the supply: below a live zero
    ((790, 800), "outside 0.1 to 0.9"),  # 0.9875: overrange
])
def test_what_can_be_no_reading_is_none(bench, counts, why):
    FakeConverter(bench, lambda asked: counts[asked])
    found = one(transducer(supply=1))
    assert isinstance(found, Refused) and why in found.why


def test_five_percent_beyond_the_points_is_still_read():
    """Mutant: no margin, and a gauge at zero with noise is refused half of the time."""
    assert POINTS.psi(Fraction(6, 100)) == -3
    assert POINTS.psi(Fraction(94, 100)) == 63
    for ratio in (Fraction(59, 1000), Fraction(941, 1000)):
        with pytest.raises(NotAReading):
            POINTS.psi(ratio)


def test_nothing_on_the_bus_opens_silently_and_is_told_by_the_first_read(bench):
    found = one(transducer())  # gpiozero makes the device all the same
    assert isinstance(found, Refused) and "nothing is on the SPI bus" in found.why


def test_power_lost_and_back(bench):
    converter = FakeConverter(bench, lambda asked: 512)
    source = transducer()
    source.open()
    assert isinstance(source.read()[0], Sample)
    converter.powered = False
    assert "no power" in source.read()[0].why
    converter.powered = True
    assert isinstance(source.read()[0], Sample)
    source.close()


def test_it_is_told_when_it_is_coarser_than_the_method():
    assert "steps by 0.07 psi" in transducer().caution
    assert transducer(points=TwoPoints(Decimal("0.1"), Decimal(0), Decimal("0.9"), Decimal(8))).caution == ""


def test_pins_shared_with_a_pwm_device_get_along(bench):
    bench.pin_class = gpiozero.pins.mock.MockPWMPin
    FakeConverter(bench, lambda asked: 512)
    with gpiozero.PWMLED(17):
        assert isinstance(one(transducer()), Sample)


def test_a_machine_without_header_pins_is_one_sentence(monkeypatch):
    class NoPins(BenchFactory):
        def spi(self, **spi_args):
            raise gpiozero.BadPinFactory("Unable to load any default pin factory!\nand more")
    monkeypatch.setattr(gpiozero.Device, "pin_factory", NoPins())
    with pytest.raises(GaugeGone, match=r"can't be reached \(Unable to load any default pin factory!\).*header pins") as problem:
        transducer().open()
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize("wrong, why", [
    ({"low_ratio": 0.9, "high_ratio": 0.1}, "must rise"),
    ({"low_psi": 5, "high_psi": 5}, "two different pressures"),
    ({"supply_channel": 0}, "must differ"),
    ({"low_psi": "much"}, "low_psi = 'much': it must be a number"),
])
def test_settings_that_can_not_be_right(wrong, why):
    with pytest.raises(GaugeSettingsError, match=why):
        settings.source_for({"kind": "transducer", **wrong}, lambda: 0.0)


def test_kept_by_the_same_thread_as_the_others_it_is_lost_and_back(bench, monkeypatch):
    monkeypatch.setattr(supervisor, "SILENT_S", 0.3)
    converter, told = FakeConverter(bench, lambda asked: 800 if asked == 1 else 400), Told()
    gauge = told_by({"kind": "transducer", "supply_channel": 1, "reads": 2, "every_ms": 20}, told)
    try:
        told.more_samples(2)
        assert set(told.psi()) == {30}
        assert len(told.of("trouble")) == 1 and "take its readings as a guide" in told.of("trouble")[0]
        converter.powered = False
        told.wait(lambda: bool(told.of("lost")))
        assert "nothing is on the SPI bus, or it has no power" in told.of("lost")[0]
        converter.powered = True
        told.wait(lambda: told.all[-1][0] == "sample")
        assert told.of("back") == [True]
    finally:
        gauge.close()


def test_on_a_machine_without_pins_it_is_a_trouble_told_once(monkeypatch):
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    if os.path.exists("/dev/gpiochip0"):
        pytest.skip("this machine has header pins")
    told = Told()
    gauge = told_by({"kind": "transducer"}, told)
    told.wait(lambda: bool(told.all))
    gauge.close()
    assert [one[0] for one in told.all] == ["trouble"]
    assert told.of("trouble")[0].startswith("The transducer can't be read: ")
