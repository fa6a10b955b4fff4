"""A checkpoint as a folder for vosk: `python -m models.training.export CHECKPOINT FOLDER`."""

import sys
from pathlib import Path

import numpy as np
import torch

from models import vosk_folder
from models.network import Layer, Network
from models.training import network as trained
from models.training import texts

EPSILON = 1e-5
"""torch's, of a batch norm."""


def network_of(state: dict[str, torch.Tensor]) -> Network:
    """The trained weights in the common form; the norm of the features becomes part of the first layer."""
    def array(name: str) -> np.ndarray:
        return state[name].float().cpu().numpy()

    steps = (1, 1, 1, *(trained.SUBSAMPLE * dilation for dilation in trained.DILATIONS))
    layers = []
    for number, step in enumerate(steps):
        name = f"blocks.{number}"
        weight, bias = array(f"{name}.conv.weight"), array(f"{name}.conv.bias")
        if number == 0:
            scale = 1 / np.sqrt(array("norm.running_var") + EPSILON)
            bias = bias - (weight * (array("norm.running_mean") * scale)[None, :, None]).sum((1, 2))
            weight = weight * scale[None, :, None]
        half = weight.shape[2] // 2
        layers.append(Layer(weight, bias, tuple(step * at for at in range(-half, half + 1)), array(f"{name}.norm.running_mean"),
                            array(f"{name}.norm.running_var") + EPSILON, residual=number > 2))
    return Network(tuple(layers), array("units.weight")[..., 0], array("units.bias"), ("blank", *trained.SOUNDS))


def lexicon() -> dict[str, list[tuple[str, ...]]]:
    return {word: [texts.dictionary()[word]] for word in texts.vocabulary()}


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("python -m models.training.export CHECKPOINT FOLDER")
    vosk_folder.write(Path(sys.argv[2]), network_of(torch.load(sys.argv[1], map_location="cpu")), lexicon())
