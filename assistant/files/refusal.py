"""What every command says instead of beginning something that is wrong."""


class Refusal(ValueError):
    """One sentence for the person at the command line: what is wrong, where, what to do. Nothing was begun."""
