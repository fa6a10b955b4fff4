"""How the office says no to a program: a status, and one sentence that says what to do."""


class Refused(Exception):
    """status  of HTTP
    wait_s  seconds after which it may be asked again; None: asking again alone changes nothing
    """

    def __init__(self, status: int, why: str, wait_s: int | None = None) -> None:
        super().__init__(why)
        self.status, self.wait_s = status, wait_s
