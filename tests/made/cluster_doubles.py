"""A small cluster and an S3-compatible store, for real: Dask's scheduler and workers as processes of
their own, moto's server in this process."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from anodewane.batch.work import Item, Outcome, RunConfig
from made.batch_doubles import cheap_work

QUICK = {
    "DASK_DISTRIBUTED__ADMIN__EVENT_LOOP": "asyncio",
    "DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": "30s",
    "DASK_LOGGING__DISTRIBUTED": "error",
}


class Cluster:
    """A scheduler and workers of one thread each. `address` to connect to; `kill(i)` ends a worker as
    the system does when memory runs out."""

    def __init__(self, folder: Path, workers: int, **env: str) -> None:
        self.folder = folder
        self.env = {
            **os.environ,
            **QUICK,
            **env,
            "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]),
        }
        self.file = folder / "scheduler.json"
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start(
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            str(self.file),
        )
        try:
            self.address = self._address()
            for _ in range(workers):
                self.add_worker()
        except BaseException:
            self.stop()
            raise

    def _address(self) -> str:
        """Where the scheduler listens. Its file is there before anything is written into it."""
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline:
            with contextlib.suppress(FileNotFoundError, json.JSONDecodeError):
                return str(json.loads(self.file.read_text())["address"])
            assert self.scheduler.poll() is None, (self.folder / "scheduler.log").read_text()
            time.sleep(0.05)
        raise AssertionError((self.folder / "scheduler.log").read_text())

    def add_worker(self) -> None:
        self.workers.append(
            self._start(
                "worker",
                self.address,
                "--nthreads",
                "1",
                "--no-nanny",
                "--no-dashboard",
                "--host",
                "127.0.0.1",
                "--local-directory",
                str(self.folder),
            )
        )

    def kill(self, i: int) -> None:
        self.workers[i].send_signal(signal.SIGKILL)

    def stop(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
        for process in (*self.workers, self.scheduler):
            process.wait()

    def _start(self, what: str, *arguments: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"{what}.log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.dask_{what}", *arguments],
                env=self.env,
                stdout=log,
                stderr=log,
                cwd=self.folder,
            )


class Bucket:
    """A bucket of moto's, seen through boto3: another client than ours."""

    def __init__(self, client: Any, name: str) -> None:
        self.client, self.name = client, name

    def put(self, key: str, data: bytes) -> None:
        self.client.put_object(Bucket=self.name, Key=key, Body=data)

    def keys(self, prefix: str = "") -> list[str]:
        pages = self.client.get_paginator("list_objects_v2").paginate(Bucket=self.name, Prefix=prefix)
        return [o["Key"] for page in pages for o in page.get("Contents", [])]

    def get(self, key: str) -> bytes:
        return bytes(self.client.get_object(Bucket=self.name, Key=key)["Body"].read())

    def tree(self, prefix: str) -> dict[str, bytes]:
        """Every result by name, but the ledger and the lock, which hold times."""
        from anodewane.batch.place import LEDGER_NAME, LOCK_NAME

        names = [k[len(prefix) :] for k in self.keys(prefix)]
        return {n: self.get(prefix + n) for n in sorted(names) if not n.startswith((LEDGER_NAME, LOCK_NAME))}


@contextlib.contextmanager
def s3_server() -> Iterator[dict[str, str]]:
    """An S3-compatible server on this machine, and the environment that leads to it."""
    import logging

    from moto.server import ThreadedMotoServer

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    try:
        yield {
            "AWS_ACCESS_KEY_ID": "test",
            "AWS_SECRET_ACCESS_KEY": "test",
            "AWS_REGION": "us-east-1",
            "AWS_ENDPOINT_URL": f"http://{host}:{port}",
            "AWS_ALLOW_HTTP": "true",
        }
    finally:
        server.stop()


def make_bucket(env: dict[str, str], name: str) -> Bucket:
    import boto3

    client = boto3.client(
        "s3",
        endpoint_url=env["AWS_ENDPOINT_URL"],
        region_name="us-east-1",
        aws_access_key_id="test",
        aws_secret_access_key="test",
    )
    client.create_bucket(Bucket=name)
    return Bucket(client, name)


def slow_work(item: Item, config: RunConfig) -> Outcome:
    """As `cheap_work`, and takes long enough to be killed over."""
    time.sleep(0.1)
    return cheap_work(item, config)
