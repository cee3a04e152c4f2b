"""A controller that does everything right: it must pass every check that can be seen."""

from asking import run
from table_program import Manner

if __name__ == "__main__":
    run(Manner())
