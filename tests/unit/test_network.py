"""The network in numpy against torch's, which is an independent calculation of the same (torch's convolutions and FFT)."""

import numpy as np
import pytest

from models.training.numpy_network import BINS, Layer, Network
from tests.own_network import fbank, log_probs

NEEDS_TORCH = "torch is not installed (it is only needed to train); pip install torch"


def test_features_of_a_tone_are_highest_where_the_tone_is():
    time = np.arange(16000) / 16000
    low, high = (fbank(0.3 * np.sin(2 * np.pi * hz * time)).mean(axis=0).argmax() for hz in (300, 3000))
    mel = lambda hz: 1127 * np.log(1 + hz / 700)                            # noqa: E731
    for found, hz in ((low, 300), (high, 3000)):
        assert found == round((mel(hz) - mel(60)) / (mel(7600) - mel(60)) * 41 - 1)


def test_a_sound_shorter_than_a_window_has_no_frame():
    assert fbank(np.zeros(399)).shape == (0, BINS)
    assert fbank(np.zeros(400)).shape == (1, BINS)


def test_as_torch_calculates_it():
    torch = pytest.importorskip("torch", reason=NEEDS_TORCH)
    from models.training import features
    from models.training import network as trained

    torch.manual_seed(3)
    net = trained.Network(24).eval()
    for block in net.blocks:                                                # norms that do something
        block.norm.running_mean.uniform_(-0.5, 0.5)
        block.norm.running_var.uniform_(0.3, 3)
    steps = (1, 1, 1, *(3 * dilation for dilation in trained.DILATIONS))
    layers = tuple(Layer(block.conv.weight.detach().numpy(), block.conv.bias.detach().numpy(),
                         tuple(step * n for n in range(-(block.conv.kernel_size[0] // 2), block.conv.kernel_size[0] // 2 + 1)),
                         block.norm.running_mean.numpy(), block.norm.running_var.numpy() + block.norm.eps, block.residual)
                   for block, step in zip(net.blocks, steps, strict=True))
    ours = Network(layers, net.units.weight.detach().numpy()[..., 0], net.units.bias.detach().numpy(), ("", *trained.SOUNDS))
    for samples in (16000, 9137, 400, 721):
        sound = np.random.default_rng(samples).normal(0, 0.1, samples).astype(np.float32)
        theirs = features.log_mel(torch.tensor(sound)[None] * 32768, features.filterbank())
        np.testing.assert_allclose(fbank(sound), theirs[0].numpy(), atol=2e-3)
        with torch.no_grad():
            edged = trained.with_edges(theirs, torch.tensor([theirs.shape[1]]))
            scores, _ = net(edged)
        wanted = scores[0].log_softmax(0).T.numpy()
        # torch's norm of the features is 0 and 1 here, but for what it adds to the variance.
        got = log_probs(ours, theirs[0].numpy() / np.sqrt(1 + net.norm.eps))
        assert got.shape == (-(-theirs.shape[1] // 3), 1 + len(trained.SOUNDS))
        np.testing.assert_allclose(got, wanted, atol=2e-3)
