"""The building site that training makes of clean clips: noise as loud as asked, rooms, telephones, each kind of its own."""

import itertools
from unittest import mock

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="torch is not installed (it is only needed to train); pip install torch")

from models.training import augment  # noqa: E402
from models.training.augment import NOISES, Site  # noqa: E402
from models.wav import RATE  # noqa: E402

SAMPLES = RATE
A_WEIGHTING = {31.5: -39.4, 63: -26.2, 100: -19.1, 200: -10.9, 500: -3.2, 1000: 0.0, 2000: 1.2, 4000: 1.0, 8000: -1.1}
"""Hz -> dB, the table of IEC 61672."""

NEVER, ALWAYS = (lambda n, share: torch.zeros(n, 1, dtype=torch.bool)), (lambda n, share: torch.ones(n, 1, dtype=torch.bool))


@pytest.fixture
def site():
    torch.manual_seed(11)
    return Site(SAMPLES, "cpu")


def _speech(n: int) -> torch.Tensor:
    """Something with syllables: harmonics of a voice that swells four times a second, a pause at either end."""
    time = torch.arange(SAMPLES) / RATE
    voice = sum(torch.sin(2 * np.pi * 130 * number * time) / number for number in range(1, 20))
    envelope = (torch.sin(2 * np.pi * 4 * time).clamp(min=0)) * ((time > 0.3) & (time < 0.8))
    return (0.2 * voice * envelope).repeat(n, 1)


def _level_db(sound: np.ndarray) -> float:
    """A-weighted, of the whole sound: the table's values between its frequencies."""
    power = np.abs(np.fft.rfft(sound)) ** 2 / len(sound) ** 2 * 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE)[1:]
    weight = np.interp(np.log(hz), np.log(list(A_WEIGHTING)), list(A_WEIGHTING.values()))
    return 10 * np.log10((power[1:] * 10 ** (weight / 10)).sum())


def test_the_weighting_is_the_standards_table(site):
    for hz, db in A_WEIGHTING.items():
        got = 20 * torch.log10(site._ear[round(hz * SAMPLES / RATE)]).item()
        assert got == pytest.approx(db, abs=0.25), hz


@pytest.mark.parametrize("asked", [-2.0, 5.0, 20.0])
@pytest.mark.parametrize("hz", [200, 1000])
def test_the_noise_is_as_far_below_the_speech_as_asked(site, monkeypatch, asked, hz):
    """A tone speaks, so its level is known; what is added to it is the noise."""
    for name in ("_in_a_room", "_recorded"):
        monkeypatch.setattr(site, name, lambda sound: sound)
    monkeypatch.setattr(site, "_microphone", lambda n: 1.0)
    monkeypatch.setattr(site, "_some", NEVER)
    between = site._between
    monkeypatch.setattr(site, "_between", lambda low, high, *shape:
                        torch.full(shape, asked) if isinstance(low, int) and (low, high) == (-2, 30)
                        else between(low, high, *shape))
    clean = 0.3 * torch.sin(2 * np.pi * hz * torch.arange(SAMPLES) / RATE).repeat(6, 1)
    noise = (site.site(clean) - clean).numpy()
    for one in noise:
        assert _level_db(clean[0].numpy()) - _level_db(one) == pytest.approx(asked, abs=0.8)


def test_pauses_do_not_count_as_speech(site, monkeypatch):
    """The same words with a long pause get the same noise, not a weaker one."""
    for name in ("_in_a_room", "_recorded"):
        monkeypatch.setattr(site, name, lambda sound: sound)
    monkeypatch.setattr(site, "_microphone", lambda n: 1.0)
    monkeypatch.setattr(site, "_some", NEVER)
    tone = 0.3 * torch.sin(2 * np.pi * 500 * torch.arange(SAMPLES) / RATE).repeat(4, 1)
    levels = []
    for share in (1.0, 0.25):
        clean = tone * (torch.arange(SAMPLES) < share * SAMPLES)
        torch.manual_seed(5)
        levels.append([_level_db(one) for one in (site.site(clean) - clean).numpy()])
    np.testing.assert_allclose(levels[0], levels[1], atol=0.6)


def test_a_room_keeps_the_direct_sound(site):
    """A click comes through whole and at its moment; half of them are followed by a tail that fades, none by one before it."""
    click = torch.zeros(200, SAMPLES)
    click[:, 4000] = 1
    heard = site._in_a_room(click)
    np.testing.assert_allclose(heard[:, 4000], 1, atol=2e-3)
    assert heard[:, :3990].abs().max() < 1e-3
    tail = heard[:, 4001:].square().sum(1)
    echoing = tail > 1e-4
    assert 70 < echoing.sum() < 130 and tail[~echoing].max() < 1e-6
    early, late = (heard[echoing, a:b].square().sum(1) for a, b in ((4001, 6000), (10000, 12000)))
    assert (late < early).all() and tail.max() < 2
    assert heard[:, 4001:4024].abs().max() < heard[:, 4024:4100].abs().max()


def test_a_telephone_cuts_below_and_above(site, monkeypatch):
    at = lambda curves, hz: 20 * torch.log10(curves[:, round(hz * SAMPLES / RATE)])      # noqa: E731
    monkeypatch.setattr(site, "_some", ALWAYS)
    phone = site._microphone(100)
    assert at(phone, 4200).max() < -25 and at(phone, 6000).max() < -40 and at(phone, 10).max() < -20
    assert min(at(phone, hz).min() for hz in (500, 1000, 2000, 2700)) > -10.5
    monkeypatch.setattr(site, "_some", NEVER)
    wide = site._microphone(100)
    assert min(at(wide, hz).min() for hz in (100, 1000, 4200, 7000)) > -8.6 and at(wide, 1000).max() < 8.1


def test_four_in_ten_are_telephones(site):
    cut = 20 * torch.log10(site._microphone(1000)[:, round(4200 * SAMPLES / RATE)]) < -18
    assert 0.37 < cut.float().mean() < 0.47


def test_all_of_it_is_finite_and_fits_the_scale(site):
    clean = _speech(16)
    clean[0] = 0
    clean[1] *= 1e-6
    clean[2] *= 1e4
    for _ in range(2):
        heard = site.site(clean)
        assert heard.shape == clean.shape and torch.isfinite(heard).all() and heard.abs().max() < 1.1


def test_the_input_hisses_and_its_gain_varies(site):
    """Not even silence is digital silence; and the same clip comes at levels over some 30 dB."""
    hiss = 20 * torch.log10(site._recorded(torch.zeros(100, SAMPLES)).std(1))
    assert -96 < hiss.min() < -85 and -75 < hiss.max() < -65
    peaks = 20 * torch.log10(site._recorded(_speech(100)).abs().amax(1))
    assert peaks.min() < -25 and peaks.max() > -2


def test_the_seed_decides(site):
    clean, heard = _speech(4), []
    for seed in (1, 1, 2):
        torch.manual_seed(seed)
        heard.append(site.site(clean))
    assert torch.equal(heard[0], heard[1]) and not torch.isclose(heard[0], heard[2], atol=1e-3).all(1).any()


def _of_kind(site: Site, name: str, n: int, seed: int) -> np.ndarray:
    """n noises of one kind, whatever the dice say of kinds."""
    torch.manual_seed(seed)
    kind = list(NOISES).index(name)
    with (mock.patch.object(augment, "ANYTHING_SHARE", 0.0),
          mock.patch.object(torch, "randint", lambda low, high, size, device: torch.full(size, kind, device=device))):
        return site.noise(n).numpy()


def _bands(noises: np.ndarray) -> np.ndarray:
    """Mean level in bands a third of an octave wide, dB below all of it, from 25 Hz to 8 kHz."""
    power = (np.abs(np.fft.rfft(noises)) ** 2).mean(0)
    hz = np.fft.rfftfreq(noises.shape[1], 1 / RATE)
    edges = 25 * 2 ** (np.arange(26) / 3)
    return np.array([10 * np.log10(power[(hz >= low) & (hz < high)].sum() / power.sum() + 1e-6)
                     for low, high in zip(edges, edges[1:], strict=False)])


def test_each_kind_of_noise_has_a_spectrum_of_its_own(site):
    """With the same dice, so that nothing but their ranges tells them apart. The nearest are the drum and the piston pump,
    1.3 dB on the mean of all bands; with equal ranges it would be 0."""
    assert len(NOISES) == 21
    found = {name: _bands(_of_kind(site, name, 8, 1)) for name in NOISES}
    for one, other in itertools.combinations(NOISES, 2):
        assert np.abs(found[one] - found[other]).mean() > 0.5, (one, other)


@pytest.mark.parametrize(("kind", "low", "high", "share"), [
    ("wind", 0, 400, 0.8), ("reversing beeper", 800, 8000, 0.5), ("mains hum", 40, 400, 0.4), ("gravel", 1500, 8000, 0.6),
    ("water jet", 1000, 8000, 0.7), ("hammer on wood", 100, 1000, 0.6), ("poker vibrator", 100, 3000, 0.7)])
def test_a_kind_is_loudest_where_such_a_noise_is(site, kind, low, high, share):
    power = (np.abs(np.fft.rfft(_of_kind(site, kind, 8, 3))) ** 2).mean(0)
    assert power[low:high].sum() / power.sum() > share


def test_steel_rings_higher_than_wood(site):
    steel, wood = (_bands(_of_kind(site, kind, 8, 4)) for kind in ("steel on steel", "hammer on wood"))
    assert (wood - steel)[8:15].mean() > 3 and (steel - wood)[20:].mean() > 3       # 160 to 800 Hz; 2.5 kHz and more


def test_noises_have_one_level(site):
    noises = site.noise(16)
    np.testing.assert_allclose(noises.std(1), 1, atol=1e-3)
    assert torch.isfinite(noises).all()
