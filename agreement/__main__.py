"""
The command line in a process of its own: the command `agreement`, or ``python -m agreement``.

Nothing of ours is imported before this process knows how to end: a signal in the first second, while
libraries load, would else end in the middle of one of them, with its traceback.
"""

import sys

if __name__ == "__main__" and not sys.flags.safe_path:
    sys.path.pop(0)  # with -m the current folder: a file there named like a library would run

import atexit
import contextlib
import gc
import os
import signal
import threading
from typing import Final, NoReturn

SIGNALLED: Final = 128  # a shell's exit code of a process that a signal ended, less the signal
BROKEN_PIPE: Final = SIGNALLED + 13
_ENDING: Final = ("SIGINT", "SIGTERM", "SIGHUP")


def start() -> NoReturn:
    """Run the command line and end as a shell expects, whatever happens to signals and streams."""
    for name in _ENDING:
        if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) != signal.SIG_IGN:
            # while libraries load there is nothing yet to put in order
            signal.signal(getattr(signal, name), lambda number, _: os._exit(SIGNALLED + number))
    os.environ["PYTHONSAFEPATH"] = "1"  # for the processes that this one starts
    os.environ.pop("MPLBACKEND", None)  # no window is drawn on, and what it names would be run
    # small matrices, and a process on each processor: threads of a library would wait for one another
    if sys.argv[1:2] != ["open"]:  # what is opened there computes as its user likes
        os.environ.setdefault("OMP_NUM_THREADS", "1")
    _with_streams()
    code = 1
    try:
        code = _run()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
        if not isinstance(end.code, int | None):
            sys.stderr.write(f"{end.code}\n")
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package in ("", "agreement"):
            raise
        _last_words(
            f"Stopped: the package {package} is missing: install agreement with its extra.\n"
        )
        code = 2
    end_with(code)


def _run() -> int:
    if sys.argv[1:] == ["--version"]:
        from agreement import __version__

        sys.stdout.write(f"{__version__}\n")
        return 0
    from agreement.report.run.classes import keep_written_code
    from agreement.report.run.unused import leave_out_unused

    keep_written_code()
    leave_out_unused()
    if sys.argv[1:2] == ["report"] and "--help" not in sys.argv:
        gc.set_threshold(100_000)  # what loads is no rubbish; at the end comes none
        from agreement.report.run.read_beside import leave_out_arrow, load_to_read
        from agreement.report.run.second import begin_early

        leave_out_arrow(sys.argv[2:])
        begin_early(load_to_read)
    from agreement.cli import main

    return main()


def _with_streams() -> None:
    """Open closed streams on nothing: the next file opened would else take their place."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            nothing = os.open(os.devnull, os.O_RDWR)
            if nothing != number:
                os.dup2(nothing, number)
                os.close(nothing)
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115, PTH123 - for the whole run


def end_with(code: int) -> NoReturn:
    """Flush what was said and end; a reader who left is no error of ours, a full disk is said."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except BrokenPipeError:
            code = code or BROKEN_PIPE
        except OSError as error:
            code = code or 2
            if stream is sys.stdout:
                _last_words(f"Stopped: the output cannot be written ({error.strerror}).\n")
        except ValueError:  # closed already
            pass
    if code >= SIGNALLED:
        nothing = os.open(os.devnull, os.O_RDWR)  # loose ends of libraries would speak
        for stream_number in (1, 2):
            os.dup2(nothing, stream_number)
        _end_at_once(code)
    _without_streams()
    if threading.active_count() == 1:
        _end_at_once(code)
    sys.exit(code)


def _end_at_once(code: int) -> NoReturn:
    """End without taking every library apart, which takes half a second: all is in order before."""
    atexit._run_exitfuncs()
    os._exit(code)


def _last_words(text: str) -> None:
    with contextlib.suppress(OSError):
        os.write(2, text.encode())


def _without_streams() -> None:
    """Leave nothing for the interpreter to flush into a place that takes no more."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        try:
            stream.flush()
        except (OSError, ValueError):
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123 - to the end


if __name__ == "__main__":
    start()
