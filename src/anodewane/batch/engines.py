"""A batch on other machines: Dask's scheduler and workers behind the same `Engine` as this machine's
processes (the extra ``cluster``).

Nothing is started or installed there: the user's own scheduler is named by its address, and its
workers must have the same anodewane. What travels is a photo's name and the run's configuration,
a few kilobytes; photos are read, and results written, by the workers themselves. A task whose
worker dies is run again elsewhere by the scheduler; one that was on four workers as they died
(``distributed.scheduler.allowed-failures``) is given up by it, and run once more when nothing
else is left: a photo that merely waited behind the culprit is judged then, and the culprit is
told as "crashed".
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import Executor, Future, InvalidStateError
from pathlib import Path
from typing import Any

from anodewane.batch.execute import Engine
from anodewane.batch.place import LocalFolder, Place
from anodewane.errors import UsageError

CONNECT_S = 20
MIN_WINDOW = 256
"""Photos handed to the scheduler at once, at least: workers may join later, and a waiting task is a
few kilobytes."""


def dask_engine(address: str, source: Path | Place | None = None, out: Path | Place | None = None) -> Engine:
    """An engine on a Dask scheduler that runs already.

    Parameters
    ----------
    address : str
        Such as tcp://10.0.0.5:8786, or tls://... with Dask's own security settings.
    source, out : Path or Place, optional
        Each worker is asked whether it reaches them before the work starts. A folder must be there for
        all of them under the same path.

    Raises
    ------
    UsageError
        The extra isn't installed, nobody answers at the address, there are no workers, or a worker has
        another version or doesn't reach the photos.
    """
    try:
        import distributed
    except ImportError as e:
        raise UsageError(
            "A cluster needs the package distributed.", 'Install it: in the checkout, pip install ".[all]".'
        ) from e

    def connect() -> Any:
        try:
            make: Any = distributed.Client
            return make(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as e:
            raise UsageError(
                f"No Dask scheduler answers at '{address}'.",
                "Start it with 'dask scheduler', and give the address that it prints.",
            ) from e

    client = connect()
    try:
        threads = _check_workers(client, _shared(source), _shared(out))
    except BaseException:
        client.close()
        raise
    first = [client]
    return Engine(
        lambda: DaskExecutor(first.pop() if first else connect(), address),
        threads,
        max(MIN_WINDOW, 4 * threads),
        (distributed.scheduler.KilledWorker,),
    )


def _shared(place: Path | Place | None) -> Place | None:
    """A place as a worker has to see it: a folder by its whole path."""
    if isinstance(place, Path):
        place = LocalFolder(place.resolve())
    return place


def _check_workers(client: Any, source: Place | None, out: Place | None) -> int:
    """Hold every worker's versions against ours, since a record tells of them, and see that it reaches
    the photos. Returns how many photos they judge at once."""
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError as e:
        raise UsageError(
            "The Dask scheduler has no workers.",
            "Start some with 'dask worker ADDRESS --nthreads 1' on machines that have anodewane.",
        ) from e
    ours = _about_me(None, None)
    if isinstance(out, LocalFolder):
        out.prepare()
    try:
        answers = client.run(_about_me, source, out)
    except ImportError as e:
        raise UsageError(
            f"A worker can't load anodewane: {e}.",
            "Install the same anodewane in the workers' environment, with the extras that are used here.",
        ) from e
    for worker, theirs in answers.items():
        there = theirs["versions"]
        different = [
            f"{name} {there.get(name)} there, {version} here"
            for name, version in ours["versions"].items()
            if there.get(name) != version
        ]
        if different:
            raise UsageError(
                f"The worker {worker} has other versions: {'; '.join(different)}.",
                "Install the same on all, or results would depend on who judged.",
            )
        if theirs["cannot_reach"]:
            remedy = "Give it the folder under the same path, or credentials and network for the bucket."
            raise UsageError(f"The worker {worker} doesn't reach {theirs['cannot_reach']}.", remedy)
    return max(1, int(sum(client.nthreads().values())))


def _about_me(source: Place | None, out: Place | None) -> dict[str, Any]:
    """Run by every worker: its versions, and a place that it doesn't reach."""
    from anodewane.judgement.provenance import library_versions
    from anodewane.version import own_version

    cannot = None
    if source is not None and not source.is_there():
        cannot = f"the photos at '{source.address}'"
    elif isinstance(out, LocalFolder) and not out.path.is_dir():
        cannot = f"the results at '{out.address}'"
    return {"versions": {"anodewane": own_version(), **dict(library_versions())}, "cannot_reach": cannot}


def _on_worker(fn: Callable[..., Any], *args: Any) -> Any:
    """Run by a worker for each photo: one thread a photo, as on this machine."""
    import cv2

    cv2.setNumThreads(1)
    return fn(*args)


class DaskExecutor(Executor):
    """A `concurrent.futures` executor on a Dask client, which it closes at shutdown.

    Dask's own (``Client.get_executor``) tells a lost scheduler as a cancelled future; here it is an
    error with a remedy.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if kwargs:
            raise TypeError("only positional arguments")
        theirs = self._client.submit(_on_worker, fn, *args, pure=False)
        ours: Future[Any] = Future()

        def cancel_theirs(f: Future[Any]) -> None:
            if f.cancelled():
                f.set_running_or_notify_cancel()  # else who waits for it waits for ever
                theirs.cancel()

        ours.add_done_callback(cancel_theirs)
        theirs.add_done_callback(lambda f: self._settle(f, ours))
        return ours

    def _settle(self, theirs: Any, ours: Future[Any]) -> None:
        """Hand a finished task over. Its outcome lies with the worker: where that has died since, the
        task runs again meanwhile and `result` waits for it."""
        error: BaseException | None = None
        outcome = None
        try:
            outcome = theirs.result()
        except BaseException as e:  # a cancelled task is told by an exception that isn't an Exception
            error = e if theirs.status == "error" else self._lost()
        with contextlib.suppress(InvalidStateError):  # cancelled meanwhile
            if error is None:
                ours.set_result(outcome)
            else:
                ours.set_exception(error)

    def _lost(self) -> UsageError:
        return UsageError(
            f"The Dask scheduler at '{self._address}' was lost.",
            "Start it and its workers again, then run the same command: it goes on where it stopped.",
        )

    # the protocol's arguments
    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)
