"""Bowlside: a hands-busy voice and keypad assistant for the technician who tests fresh concrete at the pour."""


def version() -> str:
    """Of this program, as pyproject.toml has it."""
    from importlib import metadata  # slow, and seldom asked for
    try:
        return metadata.version("bowlside")
    except metadata.PackageNotFoundError:
        return "unknown: run from a folder where it was not set up"
