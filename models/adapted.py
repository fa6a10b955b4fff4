"""Where the adapted means of the English acoustic model are; see models/adapted/README.md."""

from pathlib import Path

MEANS = Path(__file__).resolve().parent / "adapted" / "means"


def means() -> Path | None:
    """The file to give to a decoder instead of the model's own; None: it is not here, the model is used as it is."""
    return MEANS if MEANS.is_file() else None
