"""Kaldi's binary form of the one kind of acoustic model that is ours: one-state phones and numpy_network.py's network.

Little-endian. A word of the form is text and a space; an integer is its size in bytes and the number; so is a float. Read off
Kaldi's sources (base/io-funcs, hmm/transition-model, nnet3/nnet-simple-component) and checked by loading the file in vosk.
"""

import math
import re
import struct
from pathlib import Path

import numpy as np

from models.training.numpy_network import Layer, Network

STAY = 0.5
"""Probability of a phone's self-loop. Nothing depends on it: a search takes all costs from the graph; in ours a frame is free."""


class BadModel(ValueError):
    """Not a file that this module can read. The message is a sentence."""


class _Writer:
    def __init__(self) -> None:
        self.data = bytearray(b"\0B")

    def word(self, text: str) -> None:
        self.data += text.encode() + b" "

    def integer(self, number: int) -> None:
        self.data += b"\x04" + struct.pack("<i", number)

    def real(self, number: float) -> None:
        self.data += b"\x04" + struct.pack("<f", number)

    def double(self, number: float) -> None:
        self.data += b"\x08" + struct.pack("<d", number)

    def truth(self, yes: bool) -> None:
        self.data += b"T" if yes else b"F"

    def integers(self, numbers: list[int] | tuple[int, ...]) -> None:
        self.data += b"\x04" + struct.pack("<i", len(numbers)) + np.asarray(numbers, "<i4").tobytes()

    def vector(self, numbers: np.ndarray) -> None:
        self.word("FV")
        self.integer(len(numbers))
        self.data += np.asarray(numbers, "<f4").tobytes()

    def matrix(self, rows: np.ndarray) -> None:
        self.word("FM")
        self.integer(rows.shape[0])
        self.integer(rows.shape[1])
        self.data += np.ascontiguousarray(rows, "<f4").tobytes()


def write_network(path: Path, network: Network) -> None:
    """am/final.mdl of `network`; the same network gives the same bytes.

    Raises OSError; ValueError if a unit's name has other signs than letters, digits and _ (its file has no others).
    """
    path.write_bytes(network_bytes(network))


def network_bytes(network: Network) -> bytes:
    """What `write_network` writes."""
    if not all(re.fullmatch(r"\w+", unit, re.ASCII) for unit in network.units):
        raise ValueError("A unit of the network has a name that Kaldi's form can't hold; use letters, digits and _.")
    out = _Writer()
    _transitions(out, len(network.units))
    nodes, components = _nodes(network)
    out.word("<Nnet3>")
    out.data += ("\n" + "\n".join(nodes) + "\n\n").encode()
    out.word("<NumComponents>")
    out.integer(len(components))
    for name, write in components:
        out.word("<ComponentName>")
        out.word(name)
        write(out)
    out.word("</Nnet3>")
    for side in ("<LeftContext>", "<RightContext>"):        # the reader finds them itself
        out.word(side)
        out.integer(0)
    out.word("<Priors>")
    out.vector(np.zeros(0))                                 # none: the scores are the network's own
    return bytes(out.data)


def stay(unit: int) -> int:
    """Transition id of a unit's self-loop: what an arc of the graph consumes for each frame of this unit, the first too.

    Phone n is unit n - 1, and every phone has two transitions, the self-loop first. Both mean the same score, but the other one
    begins a phone, and Kaldi keeps every row of phones apart: with a blank or none behind each sound there are so many in noise
    that 10 s of it took 20 to 34 s to decode, and 0.6 s this way. So no arc of ours begins one.
    """
    return 2 * unit + 1


def _transitions(out: _Writer, units: int) -> None:
    phones = list(range(1, units + 1))
    out.word("<TransitionModel>")
    out.word("<Topology>")
    out.integers(phones)
    out.integers([-1] + [0] * units)                        # phone -> shape; all have the one
    out.integer(1)
    out.integer(2)                                          # states: one that emits, the final one
    out.integer(0)                                          # its pdf class
    out.integer(2)
    for target, probability in ((0, STAY), (1, 1 - STAY)):
        out.integer(target)
        out.real(probability)
    out.integer(-1)
    out.integer(0)
    out.word("</Topology>")
    out.word("<Triples>")
    out.integer(units)
    for phone in phones:
        for number in (phone, 0, phone - 1):                # phone, state, pdf
            out.integer(number)
    out.word("</Triples>")
    out.word("<LogProbs>")
    out.vector(np.array([0.0] + [math.log(STAY), math.log(1 - STAY)] * units))
    out.word("</LogProbs>")
    out.word("</TransitionModel>")


def _nodes(network: Network):
    """The lines that say what feeds what, and a writer for each component."""
    nodes, components = [f"input-node name=input dim={network.layers[0].weight.shape[1]}"], []

    def add(name: str, source: str, write, component: str = "") -> str:
        nodes.append(f"component-node name={name} component={component or name} input={source}")
        components.append((component or name, write))
        return name

    came = "input"
    for number, layer in enumerate(network.layers):
        size = len(layer.bias)
        made = add(f"conv{number}", came, lambda out, layer=layer: _convolution(out, layer))
        made = add(f"relu{number}", made, lambda out, size=size: _plain(out, "RectifiedLinearComponent", size))
        made = add(f"norm{number}", made, lambda out, layer=layer: _norm(out, layer))
        came = f"Sum({came}, {made})" if layer.residual else made
    # A component's name is the one place where Kaldi keeps a text of ours: so the file knows its units.
    last = add("units", came, lambda out: _affine(out, network), ".".join(["units", *network.units]))
    last = add("logs", last, lambda out: _plain(out, "LogSoftmaxComponent", len(network.units)))
    nodes.append(f"output-node name=output input={last} objective=linear")
    return nodes, components


def _convolution(out: _Writer, layer: Layer) -> None:
    out.word("<TdnnComponent>")
    out.word("<LearningRate>")
    out.real(0.001)
    out.word("<TimeOffsets>")
    out.integers(layer.offsets)
    # Columns: all inputs at the first offset, then at the next.
    _weights(out, layer.weight.transpose(0, 2, 1).reshape(len(layer.bias), -1), layer.bias)
    out.word("<OrthonormalConstraint>")
    out.real(0)
    out.word("<UseNaturalGradient>")
    out.truth(True)
    out.word("<NumSamplesHistory>")
    out.real(2000)
    out.word("<AlphaInOut>")
    out.real(4)
    out.real(4)
    out.word("<RankInOut>")
    out.integer(20)
    out.integer(80)
    out.word("</TdnnComponent>")


def _affine(out: _Writer, network: Network) -> None:
    out.word("<AffineComponent>")
    out.word("<LearningRate>")
    out.real(0.001)
    _weights(out, network.output_weight, network.output_bias)
    out.word("</AffineComponent>")


def _weights(out: _Writer, weight: np.ndarray, bias: np.ndarray) -> None:
    out.word("<LinearParams>")
    out.matrix(weight)
    out.word("<BiasParams>")
    out.vector(bias)


def _plain(out: _Writer, kind: str, size: int) -> None:
    out.word(f"<{kind}>")
    out.word("<Dim>")
    out.integer(size)
    for name in ("<ValueAvg>", "<DerivAvg>"):
        out.word(name)
        out.vector(np.zeros(0))
    out.word("<Count>")
    out.double(0)
    out.word(f"</{kind}>")


def _norm(out: _Writer, layer: Layer) -> None:
    out.word("<BatchNormComponent>")
    for name in ("<Dim>", "<BlockDim>"):
        out.word(name)
        out.integer(len(layer.mean))
    out.word("<Epsilon>")
    out.real(1e-20)                                         # it is in the variance; Kaldi wants some
    out.word("<TargetRms>")
    out.real(1)
    out.word("<TestMode>")
    out.truth(True)
    out.word("<Count>")
    out.real(1000)
    out.word("<StatsMean>")
    out.vector(layer.mean)
    out.word("<StatsVar>")
    out.vector(layer.var)
    out.word("</BatchNormComponent>")


class _Reader:
    """Finds words of the form one after the other; numbers are read right behind them."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def after(self, word: str) -> None:
        place = self.data.find(word.encode() + b" ", self.at)
        if place < 0:
            raise BadModel(f"There is no {word} where one belongs")
        self.at = place + len(word) + 1

    def integer(self) -> int:
        self.at += 5
        return struct.unpack_from("<i", self.data, self.at - 4)[0]

    def vector(self, word: str) -> np.ndarray:
        self.after(word)
        self.after("FV")
        return self._floats(self.integer())

    def matrix(self, word: str) -> np.ndarray:
        self.after(word)
        self.after("FM")
        rows, columns = self.integer(), self.integer()
        return self._floats(rows * columns).reshape(rows, columns)

    def integers(self, word: str) -> tuple[int, ...]:
        self.after(word)
        count = self.integer()
        self.at += 4 * count
        return tuple(np.frombuffer(self.data, "<i4", count, self.at - 4 * count).tolist())

    def _floats(self, count: int) -> np.ndarray:
        self.at += 4 * count
        return np.frombuffer(self.data, "<f4", count, self.at - 4 * count).copy()


def read_network(path: Path) -> Network:
    """The network that `write_network` wrote, to the last bit. Raises BadModel, OSError."""
    data = path.read_bytes()
    try:
        network = _read(_Reader(data))
        if network_bytes(network) == data:                  # then there is nothing in it that was passed over
            return network
    except (struct.error, ValueError):
        pass
    raise BadModel(f"{path} is torn or is no network of the station's own kind; install it again.")


def _read(reader: _Reader) -> Network:
    reader.after("<Nnet3>")
    nodes = reader.data[reader.at:reader.data.index(b"\n\n", reader.at)].decode("ascii")
    units = nodes[nodes.index("component=units.") + len("component=units."):].split(maxsplit=1)[0].split(".")
    layers = []
    for number in range(nodes.count("name=conv")):
        offsets = reader.integers("<TimeOffsets>")
        flat, bias = reader.matrix("<LinearParams>"), reader.vector("<BiasParams>")
        weight = np.ascontiguousarray(flat.reshape(len(bias), len(offsets), -1).transpose(0, 2, 1))
        mean, var = reader.vector("<StatsMean>"), reader.vector("<StatsVar>")
        layers.append(Layer(weight, bias, offsets, mean, var, f", norm{number})" in nodes))
    return Network(tuple(layers), reader.matrix("<LinearParams>"), reader.vector("<BiasParams>"), tuple(units))
