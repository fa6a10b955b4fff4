"""``python3 assistant``: set up on first use, then start.

Python runs a folder with that folder first on its import path, where a module of ours could hide one of the
standard library's; so the path is put right before anything else is imported. Any Python must be able to
read this file, so that an old one can say which is needed.
"""
import os
import sys

HERE = os.path.dirname(os.path.realpath(__file__))


def put_path_right():
    """Root first, our own folder nowhere, on the import path."""
    root = os.path.dirname(HERE)
    sys.path[:] = [root] + [p for p in sys.path if os.path.realpath(p or ".") not in (HERE, root)]


def start(arguments):
    """Run the command line in our environment, making the environment first where it is missing.

    :returns: the exit status; where the environment is another process image, it never returns
    """
    if sys.version_info < (3, 11):
        sys.stderr.write("Bowlside needs Python 3.11 or newer, and this is %d.%d: use Debian 12 or "
                         "Raspberry Pi OS Bookworm, or newer.\n" % sys.version_info[:2])
        return 1
    from assistant.setup import environment

    if not environment.inside():
        part = "office" if arguments[:1] == ["office"] else "assistant"
        if not environment.is_ready(part):
            from assistant.setup import first_run

            if not first_run.make_ready(part, ("postgresql",) if part == "office" else ()):
                return 1
        environment.go_inside("assistant", arguments)
    from assistant import cli

    return cli.main(arguments)


if __name__ == "__main__":
    put_path_right()
    sys.exit(start(sys.argv[1:]))
