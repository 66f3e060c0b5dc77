"""What a person sees when something goes wrong: one plain message and an exit code, never a traceback."""

from __future__ import annotations

import io
import logging
import os
import sys
from collections.abc import Callable

import click

from swathledger._version import __version__
from swathledger.errors import SwathledgerError

EXIT_OK = 0
EXIT_NOT_FIT = 1
"""The answer is "no": a log that `check` finds unfit."""
EXIT_BAD_CALL = 2
"""The call or its input cannot be used."""
EXIT_SOME_FAILED = 3
"""A season is done, but some of its jobs failed; the summary and season.json name them."""
EXIT_BUG = 70
"""Something that is not the caller's fault (EX_SOFTWARE of sysexits)."""
EXIT_INTERRUPTED = 130
EXIT_BROKEN_PIPE = 141

DEBUG_VARIABLE = "SWATHLEDGER_DEBUG"


def _debugging() -> bool:
    return os.environ.get(DEBUG_VARIABLE, "") not in {"", "0"}


def say(message: str) -> None:
    """Print one message to stderr, nothing in it that a terminal would obey; a closed stderr is not an error."""
    from swathledger.text import printable

    try:
        click.echo(printable(message, keep="\n\t"), err=True)
    except OSError:
        return


class _Words(logging.Handler):
    """What the library warns of, on stderr."""

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record."""
        say(record.getMessage())


def hear_warnings() -> None:
    """Print what the library warns of, in the command line's way and no other."""
    logger = logging.getLogger("swathledger")
    logger.handlers = [_Words(logging.WARNING)]


def open_streams() -> None:
    """Give a process that was started without one of its streams one that leads nowhere.

    Otherwise the next file that is opened takes the free number, and what a library prints as a warning goes into it.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


def _drop_stdout() -> None:
    """Point stdout at nothing, so that the interpreter's last flush does not complain of a closed pipe."""
    try:
        devnull = os.open(os.devnull, os.O_WRONLY)
        os.dup2(devnull, sys.stdout.fileno())
        os.close(devnull)
    except (OSError, ValueError):  # no real stdout, e.g. under a test runner
        return


def _describe_os_error(error: OSError) -> str:
    name = f"{error.filename}: " if error.filename is not None else ""
    return f"{name}{error.strerror or error}"


def _show(error: click.ClickException) -> None:
    """Print what is wrong with a call; the words of the caller stand in it."""
    text = io.StringIO()
    error.show(file=text)
    say(text.getvalue().removesuffix("\n"))


def _fault(error: BaseException) -> int:
    say(
        f"Error: swathledger {__version__} failed in a way it should not: {type(error).__name__}: {error}\n"
        f"Set {DEBUG_VARIABLE}=1 and run it again to see where; please report that output, the command line and "
        "`swathledger --version -v`."
    )
    return EXIT_BUG


def run(call: Callable[[], object]) -> int:
    """Run a command and turn whatever happens into an exit code.

    Parameters
    ----------
    call : callable
        Runs the command. An int it returns is the exit code; anything else means 0.

    Returns
    -------
    int
        0 done; the command's own code; 2 a bad call or unusable input; 70 a fault of the program; 130 interrupted;
        141 the reader of stdout went away.
    """
    try:
        result = call()
        sys.stdout.flush()
    except click.ClickException as error:
        _show(error)
        return error.exit_code
    except click.Abort as error:
        if isinstance(error.__cause__, EOFError):
            return _fault(error.__cause__)  # nobody's end of input: a file that ended too soon
        say("Interrupted.")
        return EXIT_INTERRUPTED
    except KeyboardInterrupt:
        say("Interrupted.")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        _drop_stdout()
        return EXIT_BROKEN_PIPE
    except SwathledgerError as error:
        if _debugging():
            raise
        say(f"Error: {error}")
        return EXIT_BAD_CALL
    except OSError as error:
        if _debugging():
            raise
        say(f"Error: {_describe_os_error(error)}")
        _drop_stdout()  # what could not be written there cannot be flushed at the end either
        return EXIT_BAD_CALL
    except MemoryError:
        say("Error: out of memory. Use larger cells (--cell) or fewer jobs (--jobs).")
        return EXIT_BUG
    except Exception as error:
        if _debugging():
            raise
        return _fault(error)
    if isinstance(result, int) and not isinstance(result, bool):
        return result
    return EXIT_OK
