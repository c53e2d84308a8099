"""The command line: one thin command per file. Every error that a user can mend ends here as one clear line."""

from __future__ import annotations

import io
import os
import sys
from typing import Any

from regcheck.errors import RegcheckError, SourceError

STOPPED = 130
OUR_FAULT = 70


def main() -> None:
    """Run the command line and exit with its code: 0, 1, 2, 3, 4 as `regcheck check --help` says; 130 stopped by Ctrl-C."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Return the exit code of one command line; nothing but a code ever comes out of it."""
    try:
        _open_streams()
        code = _invoke(arguments)
        sys.stdout.flush()
    except RegcheckError as error:
        say(*map(str, error.problems) if isinstance(error, SourceError) else [f"regcheck: {error}"])
        return error.exit_code
    except KeyboardInterrupt:
        say("regcheck: stopped")
        drop_output()
        return STOPPED
    except BrokenPipeError:  # the reader of our output has seen enough
        drop_output()
        return 0
    except OSError as error:
        drop_output()
        say(f"regcheck: {error.filename or 'standard output'}: {error.strerror or error}")
        return 2
    except Exception as error:
        return _usage_or_internal(error)
    return code


def _open_streams() -> None:
    """Stand something in for a closed stream; keep a character that a terminal lacks, or a file name that is no text, from ending a run."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - it lives as long as the process
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def _invoke(arguments: list[str]) -> int:
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")  # else every installed package is looked through for some
    from typer.main import get_command

    from regcheck.cli.app import app

    command = get_command(app)
    # not `app(...)`: that ends the process itself where the pipe is closed, with a code of its own
    with command.make_context("regcheck", list(arguments)) as context:
        result = command.invoke(context)
    return int(result) if isinstance(result, int) else 0


def say(*lines: str) -> None:
    """Print messages on standard error; where that is closed, too, there is nobody to tell."""
    try:
        for line in lines:
            print(line, file=sys.stderr)  # noqa: T201 - the command line prints
        sys.stderr.flush()
    except OSError:
        return


def drop_output() -> None:
    """Let all further output go nowhere, so that the interpreter does not complain when it flushes at its end."""
    try:
        descriptor = sys.stdout.fileno()
    except (io.UnsupportedOperation, ValueError):
        return  # no real stream: a test reads it
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, descriptor)
    os.close(sink)


def _usage_or_internal(error: Exception) -> int:
    """Return the code of a command line that typer refuses (2) or has answered (0), or of a fault of our own (70), which says so."""
    kinds = {kind.__name__ for kind in type(error).__mro__}  # typer brings click within itself in some versions, beside itself in others
    code = getattr(error, "exit_code", None)
    if "Exit" in kinds and isinstance(code, int):
        return code
    if "NoArgsIsHelpError" in kinds:
        say(str(error))
        return 2
    if "ClickException" in kinds:
        say(_usage_line(error))
        return 2
    if "Abort" in kinds:
        say("regcheck: stopped")
        return STOPPED
    if os.environ.get("REGCHECK_TRACEBACK"):
        raise error
    say(
        f"regcheck: a fault of its own: {type(error).__name__}: {error}",
        "please report it, with the output of the same command after REGCHECK_TRACEBACK=1",
    )
    return OUR_FAULT


def _usage_line(error: Any) -> str:
    """Return what is wrong with a command line as one line that names the command."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "regcheck"
    text = " ".join(error.format_message().split()).rstrip(".")
    option, near = getattr(error, "option_name", None), getattr(error, "possibilities", None)
    if option and near:
        text = f"no such option {option}; did you mean {' or '.join(sorted(near))}?"
    return f"{command}: {text[:1].lower()}{text[1:]} ({command} --help tells more)"
