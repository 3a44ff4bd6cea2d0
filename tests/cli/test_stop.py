"""Signals that end a run at any moment, also repeatedly: one line, exit code 1."""

import signal
import sys
import time
import weakref

import click
import pytest

from pathgen import cli

if not hasattr(signal, "setitimer"):
    pytest.skip("signals of POSIX systems", allow_module_level=True)
LINE = "error: the command was stopped; no incomplete files remain\n"


@pytest.fixture(autouse=True)
def put_back(monkeypatch):
    """Start with the handlers of a new process, and restore those of the test run."""
    monkeypatch.setattr(sys, "unraisablehook", sys.unraisablehook)
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGALRM)
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        signal.signal(number, signal.SIG_DFL)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def ended(capsys):
    with pytest.raises(SystemExit) as end:
        cli.main(["machines"])
    return end.value.code, capsys.readouterr().err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("function", ["run", "_flushed"])
def test_beside_the_command_itself(monkeypatch, capsys, function, number):
    monkeypatch.setattr(cli, function, lambda *_: signal.raise_signal(number))
    assert ended(capsys) == (1, LINE)


def test_a_second_time_while_the_first_is_told(monkeypatch, capsys):
    def nagged(*args, **options):
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        echo(*args, **options)

    echo = click.echo
    monkeypatch.setattr(cli._group, "main", lambda *_, **__: signal.raise_signal(signal.SIGINT))
    monkeypatch.setattr(click, "echo", nagged)
    assert ended(capsys) == (1, LINE)


def test_a_swallowed_request_is_not_asked_again_once_the_run_has_ended(monkeypatch, capsys):
    """A signal may be discarded in a callback, which sets an alarm, and also raise elsewhere."""

    def late(*args, **options):
        time.sleep(0.03)  # the alarm comes after 0.01 s
        signal.raise_signal(signal.SIGALRM)
        echo(*args, **options)

    def both(*_, **__):
        cli._on_unraisable(type("Lost", (), {"exc_type": KeyboardInterrupt}))
        raise KeyboardInterrupt

    echo = click.echo
    monkeypatch.setattr(cli._group, "main", both)
    monkeypatch.setattr(click, "echo", late)
    assert ended(capsys) == (1, LINE)
    cli._on_unraisable(type("Lost", (), {"exc_type": KeyboardInterrupt}))
    time.sleep(0.03)  # nothing comes


def test_a_run_that_goes_on_can_be_asked_again(monkeypatch):
    now = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now)
    stop = cli._Stop()
    with pytest.raises(KeyboardInterrupt):
        stop(signal.SIGINT, None)
    now += cli.CLEANUP / 2
    stop(signal.SIGINT, None)
    now += cli.CLEANUP
    with pytest.raises(KeyboardInterrupt):
        stop(signal.SIGINT, None)


def test_what_is_ignored_stays_ignored(capsys):
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup starts a program
    assert ended(capsys)[0] == 0
    assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN


def test_amid_what_swallows_exceptions(monkeypatch, capsys):
    """Python prints an exception of a weak reference's callback and continues."""

    class Pier:
        pass

    def work(*args):
        pier = Pier()
        watched = weakref.ref(pier, lambda _: signal.raise_signal(signal.SIGTERM))
        del pier
        assert watched() is None
        time.sleep(10)

    monkeypatch.setattr(cli, "run", work)
    assert ended(capsys) == (1, LINE)
