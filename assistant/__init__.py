"""Bowlside: a hands-busy voice and keypad assistant for the technician who tests fresh concrete at the pour."""

import os

# numpy's threads wait for one another in a busy loop: with every core in use, enrolment took ten times as long as with one.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
