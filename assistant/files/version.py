"""Which version of the program this is."""
from importlib import metadata


def version() -> str:
    """Of this program, as pyproject.toml has it."""
    try:
        return metadata.version("bowlside")
    except metadata.PackageNotFoundError:
        return "unknown: run from a folder where it was not set up"
