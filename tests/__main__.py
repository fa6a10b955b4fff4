"""``python3 tests [--all] [pytest's arguments]``: set up as for the assistant, add what tests use, run them.

Exit status: pytest's own, except that "no test ran" (pytest's 5) counts as failed (1). Paths in the arguments
are taken from the project's root.
"""
import os
import sys

HERE = os.path.dirname(os.path.realpath(__file__))
ROOT = os.path.dirname(HERE)

# Independent voices, recorded human digits, a virtual sound system, a terminal to type into and the office's database.
DEBIAN_PACKAGES = (
    "flite", "festival", "festvox-kallpc16k", "festvox-kdlpc16k", "festvox-us-slt-hts", "asterisk-core-sounds-en-wav",
    "pocketsphinx-testdata", "alsa-utils", "libasound2-plugins", "pulseaudio", "pulseaudio-utils", "sox", "strace", "tmux", "postgresql",
)
NO_TESTS_RAN = 5


def start(arguments):
    """Run the tests in our environment, making the environment first where something is missing."""
    if sys.version_info < (3, 11):
        sys.stderr.write("The tests need Python 3.11 or newer, and this is %d.%d.\n" % sys.version_info[:2])
        return 1
    from assistant.setup import environment

    if not environment.inside():
        from assistant.setup import first_run

        if not first_run.make_ready("tests", DEBIAN_PACKAGES):
            return 1
        environment.go_inside("tests", arguments)
    os.chdir(ROOT)
    try:
        from tests import phases
    except ModuleNotFoundError:
        sys.stderr.write("No pytest here: run the tests with the system's own python3, which adds it.\n")
        return 1

    status = phases.run(arguments)
    if status == NO_TESTS_RAN:
        sys.stderr.write("No test ran: the arguments chose none, and that counts as failed.\n")
        return 1
    return status


if __name__ == "__main__":
    # The folder itself must not stay on the import path: a file in it could hide a standard module.
    sys.path[:] = [ROOT] + [p for p in sys.path if os.path.realpath(p or ".") not in (HERE, ROOT)]
    sys.exit(start(sys.argv[1:]))
