"""A checkpoint as a folder for vosk: `python -m models.training.export CHECKPOINT FOLDER`."""

import argparse
import pickle
import sys
from pathlib import Path

import numpy as np
import torch

from models.training import network as trained
from models.training import vosk_folder
from models.training.lexicon import lexicon
from models.training.numpy_network import BINS, Layer, Network
from models.training.vosk_folder import Costs

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
                            array(f"{name}.norm.running_var") + EPSILON, residual=number >= len(steps) - len(trained.DILATIONS)))
    return Network(tuple(layers), array("units.weight")[..., 0], array("units.bias"), ("blank", *trained.SOUNDS))


def state_of(network: Network) -> dict[str, torch.Tensor]:
    """The weights of a network as training goes on from them; the norm of the features is then one that changes nothing."""
    state = {"norm.running_mean": torch.zeros(BINS), "norm.running_var": torch.full((BINS,), 1 - EPSILON)}
    for number, layer in enumerate(network.layers):
        state |= {f"blocks.{number}.{name}": torch.tensor(np.array(value)) for name, value in
                  (("conv.weight", layer.weight), ("conv.bias", layer.bias), ("norm.running_mean", layer.mean),
                   ("norm.running_var", layer.var - EPSILON))}
    return state | {"units.weight": torch.tensor(np.array(network.output_weight))[..., None],
                    "units.bias": torch.tensor(np.array(network.output_bias))}


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.export", description="A checkpoint as a folder for vosk.")
    parser.add_argument("checkpoint", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--unknown", type=float, default=Costs.unknown, help="cost of each sound of [unk] (%(default)s)")
    parser.add_argument("--other-way", type=float, default=Costs.other_way,
                        help="cost of an accent's way to say a word (%(default)s)")
    parser.add_argument("--blank", type=float, default=Costs.blank, help="cost of each frame of blank (%(default)s)")
    parser.add_argument("--no-accents", action="store_true", help="only the dictionary's way to say a word")
    given = parser.parse_args(argv)
    try:
        network = network_of(torch.load(given.checkpoint, map_location="cpu", weights_only=True))
    except (OSError, KeyError, RuntimeError, pickle.UnpicklingError):
        sys.exit(f"{given.checkpoint} can't be read as a checkpoint of models.training.train; give the path of one.")
    vosk_folder.write(given.folder, network, lexicon(accents=not given.no_accents),
                      Costs(given.unknown, given.other_way, given.blank))
    print(f"{given.folder} can be loaded by vosk.")


if __name__ == "__main__":
    main()
