"""Child processes: each in a session of its own, ended with its parent, its output in a log."""

import contextlib
import ctypes
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from club.boot.words import failure

# Loaded here and not in the child: between fork and exec, and after dropping privileges, it may not load.
_libc = ctypes.CDLL(None, use_errno=True)
_PR_SET_PDEATHSIG = 1


@dataclass(frozen=True)
class Account:
    """The system user that a child runs as."""

    name: str
    uid: int
    gid: int


def die_with_parent(death_signal: int) -> Callable[[], None]:
    """Return a hook for the child: the kernel signals it when the thread that started it ends.

    So `kill -9` on the parent leaves nothing behind. The hook has to run after a change of user, which
    clears the setting; subprocess calls it in that order.
    """
    parent = os.getpid()

    def hook() -> None:
        _libc.prctl(_PR_SET_PDEATHSIG, death_signal, 0, 0, 0)
        if os.getppid() != parent:
            os._exit(1)

    return hook


def run(
    argv: Sequence[str],
    *,
    what: str,
    log: Path | None = None,
    env: Mapping[str, str] | None = None,
    cwd: Path | str | None = None,
    account: Account | None = None,
    fds: Sequence[int] = (),
    stdin: bytes = b"",
    relay: Callable[[str], bool] = lambda line: False,
) -> str:
    """Run a program to its end and return what it printed; `what` names it in the line for a failure.

    Each line goes to `relay` as it comes; those that it takes are not part of the output.
    """
    lines: list[str] = []
    with ExitStack() as stack:
        given = stack.enter_context(tempfile.TemporaryFile())
        given.write(stdin)
        given.seek(0)
        written = stack.enter_context((log or Path(os.devnull)).open("a", encoding="utf-8"))
        written.write(f"$ {' '.join(argv)}\n")
        process = subprocess.Popen(  # noqa: S603
            argv,
            stdin=given,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=env,
            cwd=cwd,
            pass_fds=fds,
            preexec_fn=die_with_parent(signal.SIGTERM),
            **_as(account),
        )
        stack.enter_context(process)
        # Whatever cuts this short, a signal above all, does not wait for it to finish.
        stack.callback(process.terminate)
        for raw in process.stdout or ():
            line = raw.decode(errors="replace")
            if not relay(line.rstrip("\n")):
                lines.append(line)
                written.write(line)
                written.flush()
        process.wait()
    output = "".join(lines)
    if process.returncode:
        raise failure(what, output, log)
    return output


@dataclass
class Child:
    """A server that is kept running; `stop` ends it and everything that it started."""

    name: str
    argv: Sequence[str]
    log: Path
    env: Mapping[str, str] | None = None
    cwd: Path | str = "/"
    account: Account | None = None
    fds: Sequence[int] = ()
    executable: str | None = None
    stop_signal: signal.Signals = signal.SIGTERM
    death_signal: signal.Signals = signal.SIGTERM
    patience: float = 10.0
    begin: int = field(default=0, init=False)
    process: "subprocess.Popen[bytes] | None" = field(default=None, init=False)

    def start(self) -> None:
        """Start it; call this from the main thread, which its end is tied to."""
        with self.log.open("ab") as log:
            self.begin = log.tell()
            self.process = subprocess.Popen(  # noqa: S603
                self.argv,
                executable=self.executable,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=self.env,
                cwd=self.cwd,
                pass_fds=self.fds,
                start_new_session=True,
                preexec_fn=die_with_parent(self.death_signal),
                **_as(self.account),
            )

    @property
    def pid(self) -> int:
        return self.process.pid if self.process else 0

    def ended(self) -> int | None:
        """Return the exit status once it has ended, else None."""
        return self.process.poll() if self.process else 0

    def printed(self) -> str:
        """Return what it has printed since it was started, at most the last 8 kB."""
        return tail(self.log, self.begin)

    def stop(self) -> None:
        """Ask it to end, wait, then insist; its whole session goes."""
        if not self.process:
            return
        if self.process.poll() is None:
            self.process.send_signal(self.stop_signal)
            try:
                self.process.wait(self.patience)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process = None

    def wait_until(self, ready: Callable[[], bool], seconds: float) -> None:
        """Wait until `ready()`; raise Stop when it ends first or takes longer than `seconds`."""
        deadline = time.monotonic() + seconds
        while not ready():
            if self.ended() is not None:
                raise failure(f"Starting {self.name}", self.printed(), self.log)
            if time.monotonic() > deadline:
                raise failure(
                    f"Starting {self.name}", f"it was not ready after {seconds:.0f} seconds", self.log
                )
            time.sleep(0.03)


def tail(log: Path, begin: int = 0) -> str:
    """Return what was logged from the byte `begin` on, at most the last 8 kB."""
    try:
        with log.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(begin, size - 8192))
            return file.read().decode(errors="replace")
    except FileNotFoundError:
        return ""


def _as(account: Account | None) -> dict[str, Any]:
    if account is None or account.uid == os.geteuid():
        return {}
    return {"user": account.uid, "group": account.gid, "extra_groups": []}
