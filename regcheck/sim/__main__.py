"""`python -m regcheck.sim RECIPE... -o FOLDER`: make the trials of each recipe."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from regcheck.errors import RegcheckError
from regcheck.sim.recipe import load_recipe, write_trials


def main(arguments: list[str]) -> int:
    """Return the exit code of one command line: 0, or that of the error that is printed."""
    parser = argparse.ArgumentParser(prog="python -m regcheck.sim", description="Make trials of a simulated board from recipes.")
    parser.add_argument("recipes", nargs="+", type=Path, metavar="RECIPE", help="a recipe (YAML)")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FOLDER", help="where the folders of the trials are made")
    options = parser.parse_args(arguments)
    try:
        for path in options.recipes:
            for home in write_trials(load_recipe(path), options.output):
                print(home)  # noqa: T201 - the command line prints
    except RegcheckError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
