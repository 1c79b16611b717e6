"""The private Redis, on a unix socket alone. It keeps nothing: what is due stands in PostgreSQL."""

import signal
import socket
from dataclasses import dataclass
from pathlib import Path

from club.boot import system
from club.boot.folders import Folder, reachable, server_account
from club.boot.procs import Child


@dataclass
class Broker:
    """One Redis in `<state>/redis/`, with its socket `redis.sock`."""

    state: Path

    def __post_init__(self) -> None:
        self.path = self.state / "redis"

    def socket_path(self) -> str:
        """Return the socket's name for this process and its descendants."""
        return f"{reachable(self.path)}/redis.sock"

    def start(self) -> Child:
        """Start Redis and return it once it answers."""
        account = server_account()
        folder = Folder.own(self.path, account)
        (self.path / "redis.sock").unlink(missing_ok=True)
        argv = ["redis-server", "--port", "0", "--unixsocket", f"{folder.inside}/redis.sock"]
        argv += ["--unixsocketperm", "700", "--dir", folder.inside, "--save", "", "--appendonly", "no"]
        server = Child(
            "Redis",
            argv,
            self.state / "log" / "redis.log",
            env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
            account=account,
            fds=(folder.fd,),
            executable=str(system.redis_server()),
            # Killed at once: one that ended slowly would remove the socket of its successor.
            death_signal=signal.SIGKILL,
        )
        try:
            server.start()
            server.wait_until(self._answers, 20)
        finally:
            folder.close()
        return server

    def _answers(self) -> bool:
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(1)
            try:
                link.connect(self.socket_path())
                link.sendall(b"PING\r\n")
                return link.recv(16).startswith(b"+PONG")
            except OSError:
                return False
