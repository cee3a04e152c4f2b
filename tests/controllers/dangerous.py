"""A controller with a sound link and a bad manner.

It moves as soon as it has started, starts again by itself when a lost link is back, and starts
again on a fault instead of having it cleared.
"""

from asking import run
from table_program import Manner

if __name__ == "__main__":
    run(Manner(waits_for_transfer=False, restarts=True))
