"""Start the page: which addresses, the first pairing link, and the server itself."""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from anodewane.errors import OutputNotWritable, UsageError
from anodewane.judgement.method import Method
from anodewane.records import Given

LOOPBACK = "127.0.0.1"


def lan_address(given: str | None = None) -> str:
    """The address under which phones of the same network reach this machine. Nothing is sent to find it out.

    Raises
    ------
    UsageError
        There is none, or `given` isn't an IPv4 address of a private network.
    """
    if given is None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
            try:
                s.connect(
                    ("192.0.2.1", 9)
                )  # a test address (RFC 5737); connecting a datagram socket only chooses the way out
                given = str(s.getsockname()[0])
            except OSError as e:
                raise UsageError(
                    "This machine is in no network.",
                    "Join the workshop's network, or name the address with --address.",
                ) from e
    try:
        address = ipaddress.IPv4Address(given)
    except ValueError as e:
        raise UsageError(f"'{given}' isn't an IPv4 address.", "Write it as 192.168.1.20.") from e
    if not (address.is_private or address.is_link_local) or address.is_loopback or address.is_unspecified:
        raise UsageError(
            f"'{given}' isn't an address of a private network.",
            "Name this machine's address in the workshop's network; the page is not for the open internet.",
        )
    return str(address)


def bound(address: str, port: int) -> socket.socket:
    """A socket there.

    Raises
    ------
    OutputNotWritable
        The port is taken, or the address isn't this machine's.
    """
    s = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        s.bind((address, port))
        s.listen(128)  # whoever opens the link at once waits instead of being refused
    except OSError as e:
        s.close()
        raise OutputNotWritable(
            f"Port {port} of {address} can't be had: {e.strerror or e}.",
            "Give another --port, or stop what uses it.",
        ) from e
    return s


def need_extra() -> None:
    """See that nothing was left out or taken off.

    Raises
    ------
    UsageError
    """
    try:
        import jinja2  # noqa: F401
        import segno  # noqa: F401
        import starlette  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError as e:
        raise UsageError(
            f"The page needs the package {e.name}.", 'Install it: in the checkout, pip install ".[all]".'
        ) from e


def serve(
    book: Path,
    given: Given,
    method: Method,
    *,
    port: int,
    lan: str | None,
    workers: int | None,
    say: Callable[[str], None],
) -> None:
    """Serve until Ctrl-C.

    given : what holds for every photo: the check line; lan : this machine's address for phones, None
    answers on this machine only.

    Raises
    ------
    UsageError, InputUnreadable, OutputNotWritable
    """
    need_extra()
    import segno
    import uvicorn

    from anodewane.batch.execute import local_engine
    from anodewane.book.store import open_book
    from anodewane.web.app import make_app
    from anodewane.web.connections import bounded_protocol
    from anodewane.web.limits import LIMITS

    open_book(book).close()  # before anything listens
    addresses = [*([lan] if lan else []), LOOPBACK]
    sockets: list[socket.socket] = []
    try:
        for a in addresses:
            sockets.append(bound(a, port))
            port = sockets[-1].getsockname()[1]
        bases = tuple(f"http://{a}:{port}" for a in addresses)
        engine = local_engine(workers)
        app = make_app(
            book, given, method, engine.make_executor, engine.workers, [*addresses, "localhost"], bases
        )
    except BaseException:
        for s in sockets:
            s.close()
        raise
    sessions = app.state.context.sessions
    say(
        f"Serving '{book.name}'. On this machine open (once, within a quarter of an hour):\n  "
        f"{bases[-1]}/in/{sessions.new_link()}"
    )
    if lan:
        link = f"{bases[0]}/in/{sessions.new_link()}"
        import io

        out = io.StringIO()
        segno.make(link, error="m").terminal(out, compact=True)
        say(f"For the first phone:\n{out.getvalue()}\n  {link}\nMore phones: 'Pair a phone' on any page.")
        say("Everything goes unencrypted over this network: use one that you trust.")
    else:
        say("Only this machine can open it; --lan lets phones in.")
    say("Ctrl-C stops it; nothing is lost.")
    config: Any = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,  # addresses hold pairing tokens
        server_header=False,
        proxy_headers=False,
        ws="none",
        http=bounded_protocol(LIMITS),
        lifespan="on",
        limit_concurrency=120,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=5,
    )

    judging = app.state.context.judging

    class Server(uvicorn.Server):
        """Its own way would raise Ctrl-C once more at the end, with a traceback."""

        def handle_exit(self, sig: int, frame: Any) -> None:
            judging.leaving = True  # so that no page's waiting holds the end up
            super().handle_exit(sig, frame)

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            before = {s: signal.signal(s, self.handle_exit) for s in (signal.SIGINT, signal.SIGTERM)}
            try:
                yield
            finally:
                for s, handler in before.items():
                    signal.signal(s, handler)

    # a phone that still sends as the server stops sends again later: no word of it is needed
    logging.getLogger("uvicorn.error").addFilter(lambda _: not judging.leaving)
    Server(config).run(sockets=sockets)
    say("Stopped.")
