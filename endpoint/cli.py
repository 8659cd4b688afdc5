"""The command `endpoint`: the group of all commands, and how each of them ends."""

from __future__ import annotations

import sys

_STOPPED = ("Stopped.", "Run the command again to start over.", 130)

try:
    import _thread
    import logging
    import threading
    from collections.abc import Iterator, Sequence
    from contextlib import contextmanager, suppress
    from typing import Any, NoReturn

    import click

    from calibration.problem import Problem
    from endpoint.commands.batch import batch
    from endpoint.commands.bench import bench
    from endpoint.commands.calibrate import calibrate, certificates
    from endpoint.commands.compare import compare
    from endpoint.commands.hardness import hardness
    from endpoint.commands.locate import locate
    from endpoint.commands.plan import plan
    from endpoint.commands.replicates import replicates
    from endpoint.commands.report import replay, report
    from endpoint.commands.runs import runs
    from endpoint.commands.verify import verify
    from endpoint.files.screen import guarded_output
    from endpoint.problems import EXIT_BAD_INPUT, EXIT_FAULT
except KeyboardInterrupt:  # Ctrl-C while all this is loaded
    sys.stderr.write("endpoint: {}\n{}\n".format(*_STOPPED))
    sys.exit(_STOPPED[2])

_NO_MEMORY = "The recording needs more memory than there is."
_NO_SUCH_NAME = "A file name holds a sign that this system cannot use in names."
_USE_UTF8 = "Set the variable PYTHONUTF8=1, or choose a locale with UTF-8."


class _Group(click.Group):
    """Ends every command with its exit code, and every trouble with one sentence and one remedy."""

    def main(self, args: Sequence[str] | None = None, *others: Any, **extra: Any) -> Any:
        """Run the command and leave with its exit code."""
        given = list(sys.argv[1:] if args is None else args)
        try:
            # With a home that cannot be written it tells how it goes on; nobody asked.
            logging.getLogger("matplotlib").setLevel(logging.ERROR)
            with _threads_told(given), _ctrl_c_kept(), guarded_output():
                code = super().main(args, *others, **{**extra, "standalone_mode": False})
        except Problem as problem:
            _give_up(problem.sentence, problem.remedy, problem.exit_code)
        except click.UsageError as error:
            name = error.ctx.command_path if error.ctx else "endpoint"
            _give_up(error.format_message(), f"See {name} --help.", EXIT_BAD_INPUT)
        except click.ClickException as error:
            _give_up(error.format_message(), "See endpoint --help.", EXIT_BAD_INPUT)
        except (click.Abort, KeyboardInterrupt):
            _give_up(*_STOPPED)
        except MemoryError:
            _give_up(_NO_MEMORY, "Reduce the recording, or close other programs.", EXIT_BAD_INPUT)
        except BrokenPipeError:
            sys.exit(1)
        except Exception as error:
            if isinstance(error, UnicodeEncodeError) and error.encoding == _names_encoding():
                _give_up(_NO_SUCH_NAME, _USE_UTF8, EXIT_BAD_INPUT)
            _tell_fault(error, given)
            sys.exit(EXIT_FAULT)
        sys.exit(code if isinstance(code, int) else 0)


@contextmanager
def _threads_told(arguments: Sequence[str]) -> Iterator[None]:
    """Tell of what ends a thread as of what ends a command, while one runs."""

    def told(ended: threading.ExceptHookArgs) -> None:
        if isinstance(ended.exc_value, Problem):
            _say(ended.exc_value.sentence, ended.exc_value.remedy)
        elif ended.exc_value is not None and not isinstance(ended.exc_value, SystemExit):
            _tell_fault(ended.exc_value, arguments)

    before, threading.excepthook = threading.excepthook, told
    try:
        yield
    finally:
        threading.excepthook = before


@contextmanager
def _ctrl_c_kept() -> Iterator[None]:
    """End a command by Ctrl-C also where Python drops it: a callback of a weak reference is hit.

    It would print a traceback there, and the command would run on.
    """
    before = sys.unraisablehook

    def told(dropped: sys.UnraisableHookArgs) -> None:
        if issubclass(dropped.exc_type, KeyboardInterrupt):
            # At once it would be dropped here as well.
            threading.Timer(0.05, _thread.interrupt_main).start()
        else:
            before(dropped)

    sys.unraisablehook = told
    try:
        yield
    finally:
        sys.unraisablehook = before


def _tell_fault(error: BaseException, arguments: Sequence[str]) -> None:
    from endpoint.files.fault_report import debugging, fault_told

    sentence, remedy = fault_told(error, arguments)
    if not debugging():
        _say(sentence, remedy)


def _say(sentence: str, remedy: str) -> None:
    try:
        click.echo(f"endpoint: {sentence}\n{remedy}", err=True)
    except OSError:  # a full disk: there is nobody to tell, but the exit code still says it
        with suppress(OSError):
            sys.stderr.close()


def _names_encoding() -> str | None:
    """Encoding of file names, where it does not have every sign (LANG=C without UTF-8 mode)."""
    name = sys.getfilesystemencoding()
    return None if name == "utf-8" else name


def _give_up(sentence: str, remedy: str, code: int) -> NoReturn:
    _say(sentence, remedy)
    sys.exit(code)


@click.group(
    cls=_Group,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="endpoint-titration")
@click.pass_context
def main(context: click.Context) -> None:
    """Equivalence volume and water hardness from a recording of an EDTA titration."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


for _command in (
    batch,
    bench,
    calibrate,
    certificates,
    compare,
    hardness,
    locate,
    plan,
    replay,
    replicates,
    report,
    runs,
    verify,
):
    # Click cuts what it takes from the docstring at 45 signs; what is stated it wraps.
    _command.short_help = (_command.help or "").partition("\n\n")[0].replace("\n", " ")
    main.add_command(_command)
