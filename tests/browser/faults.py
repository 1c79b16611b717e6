"""A TCP proxy before the server that loses requests: before, during or after the server has done them.

It stands outside the browser, so that what a service worker sends passes it too, and an answer can be lost
after the server's commit, which a browser's own interception cannot do.
"""

import random
import socket
import threading
from collections import Counter
from contextlib import suppress

FAULTS = ("before", "during", "after")


class FaultyProxy:
    """Listens on `port`, speaks HTTP to the server at `target` one request a connection."""

    def __init__(self, target: tuple[str, int], seed: int = 1) -> None:
        self.target, self.random = target, random.Random(seed)  # noqa: S311 - a lottery of faults
        self.rate, self.lost, self.passed = 0.0, Counter[str](), 0
        self.port, self._listener = 0, None
        self._clients: set[socket.socket] = set()
        self._draw: list[bool] = []
        self._lock = threading.Lock()
        self.up()

    def up(self) -> None:
        """Answer at the same port as before."""
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.port))
        listener.listen(64)
        self.port, self._listener = listener.getsockname()[1], listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def down(self) -> None:
        """Refuse every connection: no network."""
        if self._listener:
            # Shut down too: a thread that waits in accept() keeps a closed socket open.
            with suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
        self._listener = None
        # A browser opens connections ahead of need; these end as well.
        for client in list(self._clients):
            with suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _loses(self) -> bool:
        """Say whether this request is lost: one at a random place in each run of `1 / rate`."""
        if not self.rate:
            return False
        with self._lock:
            if not self._draw:
                run = round(1 / self.rate)
                lost = self.random.randrange(run)
                self._draw = [place == lost for place in range(run)]
            return self._draw.pop()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        self._clients.add(client)
        try:
            self._answer(client)
        finally:
            self._clients.discard(client)

    def _answer(self, client: socket.socket) -> None:
        with client, suppress(OSError):
            client.settimeout(20)
            request = _read_message(client)
            if not request:
                return
            # Each kind in turn, so that none is left out by luck.
            fault = FAULTS[sum(self.lost.values()) % 3] if self._loses() else ""
            if fault:
                self.lost[fault] += 1
            if fault == "before":
                return
            with socket.create_connection(self.target, timeout=30) as server:
                head, _, body = request.partition(b"\r\n\r\n")
                lines = [line for line in head.split(b"\r\n") if not line.lower().startswith(b"connection:")]
                whole = b"\r\n".join([*lines, b"Connection: close"]) + b"\r\n\r\n" + body
                if fault == "during":
                    # Half of what was sent, or all of it with nobody there to hear the answer.
                    server.sendall(whole[: len(whole) // 2] if self.random.random() < 0.5 else whole)
                    return
                server.sendall(whole)
                answer = b"".join(iter(lambda: server.recv(65536), b""))
            if fault == "after":
                client.sendall(
                    answer[: self.random.randrange(len(answer))] if self.random.random() < 0.5 else b""
                )
                return
            client.sendall(answer)
            self.passed += 1


def _read_message(client: socket.socket) -> bytes:
    data = b""
    while b"\r\n\r\n" not in data:
        part = client.recv(65536)
        if not part:
            return b""
        data += part
    head, _, body = data.partition(b"\r\n\r\n")
    length = 0
    for line in head.split(b"\r\n")[1:]:
        name, _, value = line.partition(b":")
        if name.lower() == b"content-length":
            length = int(value)
    while len(body) < length:
        part = client.recv(65536)
        if not part:
            return b""
        body += part
    return head + b"\r\n\r\n" + body
