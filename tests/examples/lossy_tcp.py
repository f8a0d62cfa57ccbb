"""A link of real sockets that refuses, cuts requests in the middle, and cuts answers after they were given."""

import contextlib
import random
import socket
import threading
from collections import Counter
from collections.abc import Iterator

PASSED, DOWN, REFUSED, CUT_UP, CUT_DOWN, MUTE = "passed", "down", "refused", "cut up", "cut down", "mute"
BAD_ENDS = (REFUSED, CUT_UP, CUT_DOWN, MUTE)


class LossyTcp:
    """Carries each connection to a port, to an end drawn for it.

    Attributes
    ----------
    bad
        The share of connections that come to a bad end.
    is_down
        Whether nobody is let through, and whoever was is thrown out.
    """

    def __init__(self, target_port: int, seed: int) -> None:
        self._target = target_port
        self._random = random.Random(seed)  # noqa: S311 - a run to be repeated
        self._ends = self._bad_ends()
        self.bad = 0.0
        self.reach_bytes = 4000
        self.met: Counter[str] = Counter()
        self._is_down = False
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def is_down(self) -> bool:
        return self._is_down

    @is_down.setter
    def is_down(self, down: bool) -> None:
        self._is_down = down
        if down:
            self.hang_up()

    def hang_up(self) -> None:
        """Cut every connection there is."""
        with self._lock:
            cut = list(self._open)
        for one in cut:
            _end(one)

    def close(self) -> None:
        self._is_down = True
        _end(self._listener)
        self.hang_up()

    def _bad_ends(self) -> Iterator[str]:
        """Yield every bad end as often as any other."""
        while True:
            yield from self._random.sample(BAD_ENDS, len(BAD_ENDS))

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            is_bad = self._random.random() < self.bad
            fate = next(self._ends) if is_bad else PASSED
            fate = DOWN if self._is_down else fate
            self.met[fate] += 1
            far = None
            if fate not in {REFUSED, DOWN}:
                with contextlib.suppress(OSError):
                    far = socket.create_connection(("127.0.0.1", self._target), 5)
            if far is None:
                _end(near)
                continue
            with self._lock:
                self._open |= {near, far}
            reach = self._random.randint(1, self.reach_bytes)
            for source, sink, most in (
                (near, far, reach if fate == CUT_UP else None),
                # Of an answer nothing arrives at all, or a part.
                (far, near, {CUT_DOWN: reach, MUTE: 0}.get(fate)),
            ):
                threading.Thread(target=self._pump, args=(source, sink, most), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, most: int | None) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if most is not None and len(data) > most:
                    sink.sendall(data[:most])
                    break
                most = None if most is None else most - len(data)
                sink.sendall(data)
        for one in (source, sink):
            with self._lock:
                self._open.discard(one)
            _end(one)


def _end(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()


@contextlib.contextmanager
def lossy(target_port: int, seed: int) -> Iterator[LossyTcp]:
    link = LossyTcp(target_port, seed)
    try:
        yield link
    finally:
        link.close()
