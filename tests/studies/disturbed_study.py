"""Do intervals of disturbed titrations hold the truth? A study to run on request.

    python -m tests.studies.disturbed_study --count 30 --first 200

Of each disturbance (see `tests.equivalence.disturbed`): results that say something, and intervals
or brackets that hold the simulated truth. With a true coverage of 95 %, 26 of 30 or fewer happen
in 6 of 100 such studies.
"""

from __future__ import annotations

import argparse

from tests.equivalence.disturbed import NAMES, answered_and_held


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Coverage of disturbed titrations")
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--first", type=int, default=200, help="first seed")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.count)
    print(f"{'disturbance':<18}{'of':>5}{'answered':>10}{'held':>6}")
    for name in NAMES:
        answered, held = answered_and_held(name, seeds)
        print(f"{name:<18}{options.count:>5}{answered:>10}{held:>6}", flush=True)


if __name__ == "__main__":
    main()
