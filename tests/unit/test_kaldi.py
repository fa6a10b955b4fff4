"""What is written is read again, number by number. That Kaldi's own reader takes the file is tested by loading it in vosk."""

from dataclasses import replace

import numpy as np
import pytest

from models.training import kaldi
from models.training.numpy_network import Layer, Network
from tests.own_network import log_probs


def small_network(channels: int = 6, units: int = 4) -> Network:
    dice = np.random.default_rng(5)

    def layer(inputs: int, offsets: tuple[int, ...], residual: bool = False) -> Layer:
        return Layer(dice.normal(0, 0.2, (channels, inputs, len(offsets))).astype(np.float32),
                     dice.normal(0, 0.1, channels).astype(np.float32), offsets, dice.normal(0, 0.3, channels).astype(np.float32),
                     dice.uniform(0.5, 2, channels).astype(np.float32), residual)

    return Network((layer(40, (-2, -1, 0, 1, 2)), layer(channels, (-1, 0, 1)), layer(channels, (-3, 0, 3), True)),
                   dice.normal(0, 0.3, (units, channels)).astype(np.float32), np.zeros(units, np.float32),
                   tuple(str(number) for number in range(units)))


def test_read_again(tmp_path):
    network = small_network()
    kaldi.write_network(tmp_path / "final.mdl", network)
    again = kaldi.read_network(tmp_path / "final.mdl")
    features = np.random.default_rng(1).normal(0, 1, (50, 40)).astype(np.float32)
    np.testing.assert_array_equal(log_probs(again, features), log_probs(network, features))
    assert [layer.residual for layer in again.layers] == [False, False, True]
    kaldi.write_network(tmp_path / "again.mdl", again)
    assert (tmp_path / "again.mdl").read_bytes() == (tmp_path / "final.mdl").read_bytes()


def test_only_the_last_layer_changed_changes_only_its_numbers(tmp_path):
    network = small_network()
    kaldi.write_network(tmp_path / "a.mdl", network)
    kaldi.write_network(tmp_path / "b.mdl", replace(network, output_bias=network.output_bias + 1))
    a, b = (tmp_path / "a.mdl").read_bytes(), (tmp_path / "b.mdl").read_bytes()
    assert len(a) == len(b) and sum(x != y for x, y in zip(a, b, strict=True)) <= 4 * len(network.units)


def test_its_units_keep_their_names(tmp_path):
    """Whoever looks for the sounds of a word does so by name."""
    network = replace(small_network(), units=("blank", "AA", "TH", "ZH"))
    kaldi.write_network(tmp_path / "final.mdl", network)
    assert kaldi.read_network(tmp_path / "final.mdl").units == network.units
    with pytest.raises(ValueError, match="name"):
        kaldi.network_bytes(replace(network, units=("blank", "A A", "TH", "ZH")))


@pytest.mark.parametrize("kept", [0, 1, 40, 900, -1])
def test_a_torn_file_gives_a_sentence(tmp_path, kept):
    kaldi.write_network(tmp_path / "final.mdl", small_network())
    (tmp_path / "final.mdl").write_bytes((tmp_path / "final.mdl").read_bytes()[:kept])
    with pytest.raises(kaldi.BadModel, match="install it again"):
        kaldi.read_network(tmp_path / "final.mdl")


def test_a_spoilt_file_gives_a_sentence_or_other_numbers_and_nothing_else(tmp_path):
    """A byte changed anywhere: Kaldi would read it too, or it is refused; no other error, and no endless row of numbers."""
    good, dice, refused = kaldi.network_bytes(small_network()), np.random.default_rng(2), 0
    for at in dice.integers(0, len(good), 300):
        spoilt = bytearray(good)
        spoilt[at] ^= 1 << int(dice.integers(8))
        (tmp_path / "final.mdl").write_bytes(spoilt)
        try:
            assert kaldi.network_bytes(kaldi.read_network(tmp_path / "final.mdl")) == spoilt
        except kaldi.BadModel:
            refused += 1
    assert refused > 50                                     # the rest of the file is weights


def test_another_vosk_model_gives_a_sentence(tmp_path):
    (tmp_path / "final.mdl").write_bytes(b"\0B<TransitionModel> <Topology> " + bytes(3000))
    with pytest.raises(kaldi.BadModel, match="of the station's own kind"):
        kaldi.read_network(tmp_path / "final.mdl")
