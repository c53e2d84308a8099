"""The command line: one thin command per file. Every error that a user can mend ends here as one clear line."""

from __future__ import annotations

import os
import sys

from regcheck.errors import RegcheckError, SourceError


def main() -> None:
    """Run the command line and exit with its code: 0, 1, 2, 3, 4 as `regcheck check --help` says; 130 stopped by Ctrl-C."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Return the exit code of one command line."""
    from regcheck.cli.app import app

    try:
        result = app(args=arguments, standalone_mode=False, prog_name="regcheck")
    except RegcheckError as error:
        for line in map(str, error.problems) if isinstance(error, SourceError) else [f"regcheck: {error}"]:
            print(line, file=sys.stderr)  # noqa: T201 - the command line prints
        return error.exit_code
    except KeyboardInterrupt:
        print("regcheck: stopped", file=sys.stderr)  # noqa: T201
        return 130
    except BrokenPipeError:
        # the reader of our output has seen enough; keep the interpreter from complaining when it flushes at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        return _usage_or_internal(error)
    return int(result) if isinstance(result, int) else 0


def _usage_or_internal(error: Exception) -> int:
    """Return the code of a command line that typer refuses (2), or of a fault of our own, which is said to be one (70)."""
    show = getattr(error, "show", None)
    if show is not None:
        show(file=sys.stderr)
        return int(getattr(error, "exit_code", 2))
    if type(error).__name__ == "Abort":
        print("regcheck: stopped", file=sys.stderr)  # noqa: T201
        return 130
    if os.environ.get("REGCHECK_TRACEBACK"):
        raise error
    text = f"regcheck: a fault of its own: {type(error).__name__}: {error}\nplease report it with the output of REGCHECK_TRACEBACK=1 regcheck …"
    print(text, file=sys.stderr)  # noqa: T201
    return 70
