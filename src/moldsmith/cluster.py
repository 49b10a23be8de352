"""The same job on several machines: an executor of a Dask cluster."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any

from .errors import CannotWrite, MissingPackage

__all__ = ["cluster_executor"]

_PATIENCE_S = 30


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """The workers of a Dask cluster as an executor for `run_job`.

    address : of the scheduler, as 'tcp://192.0.2.7:8786'. Its workers must have moldsmith,
        and see the scans and the output folder under the same paths

    A piece whose worker dies is sent to another one, which goes on from the finished stages.

    Raises
    ------
    MissingPackage : the extra 'cluster' is not installed
    CannotWrite : there is no scheduler at that address
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingPackage(
            "a cluster needs the package 'distributed'", "pip install 'moldsmith[cluster]'"
        ) from error
    try:
        client: Any = Client(address, timeout=_PATIENCE_S)
    except (OSError, ValueError) as error:
        raise CannotWrite(
            f"no scheduler answers at {address} ({error})", "Start it, or correct the address"
        ) from error
    with client:
        # Not pure: a piece made again is work again, whatever came out before.
        yield client.get_executor(pure=False)
