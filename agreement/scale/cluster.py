"""An existing Dask cluster as a mapper over our own functions."""

import json
import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Final, TypeVar

from agreement.errors import AgreementError
from agreement.scale.engine import Engine

T = TypeVar("T")
WAIT_S: Final = 15  # for an answer, and for the first worker
CONNECT_S: Final = 10  # for the first answer


class ClusterEngine(Engine):
    """Maps on a cluster; lost items are done again by its scheduler."""

    def __init__(self, client: Any) -> None:
        self.client = client

    def _results(
        self, function: Callable[[Any, Any], T], shared: Any, items: Sequence[Any]
    ) -> Iterator[tuple[int, T]]:
        from distributed import KilledWorker, as_completed

        # scattered first and once, or it would travel again with every item
        common = self.client.scatter(shared, hash=False)
        futures = self.client.map(function, [common] * len(items), list(items), pure=False)
        place = {future.key: number for number, future in enumerate(futures)}
        try:
            for future, result in as_completed(futures, loop=self.client.loop, with_results=True):
                yield place[future.key], result
        except KilledWorker as error:
            raise AgreementError(
                "Workers of the cluster were lost again and again on the same part, most likely for "
                "want of memory. Give them more, or make the parts smaller."
            ) from error


@contextmanager
def cluster(scheduler: str) -> Iterator[ClusterEngine]:
    """
    Connect to a cluster, check that it can run this package, and let go of it afterwards.

    scheduler: address (``tcp://host:8786``) or path of a scheduler file.
    Raises AgreementError if nobody answers, there is no worker, or versions differ.
    """
    from distributed import Client

    is_file = "://" not in scheduler and Path(scheduler).suffix == ".json"
    if is_file:
        _require_whole(Path(scheduler))

    class ClosedByUs(Client):
        """One that half made, as where nobody answers, does not wait for its own end."""

        def __del__(self) -> None:
            """Do nothing: it is closed where it is used."""

    place: dict[str, Any] = {"scheduler_file" if is_file else "address": scheduler}
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what is wrong is said by us
    try:
        made: Callable[..., Any] = ClosedByUs  # the library has no types
        client = made(**place, timeout=CONNECT_S, set_as_default=False)
    except Exception as error:  # what an address of any kind makes its transport raise
        raise AgreementError(
            f"No scheduler answers at {scheduler}. Check the address, and that it is running."
        ) from error
    with closing(client):  # what was still under way is dropped by the scheduler
        with suppress(TimeoutError):
            client.wait_for_workers(1, timeout=WAIT_S)
        _require_same_versions(client, scheduler)
        yield ClusterEngine(client)


def _require_whole(file: Path) -> None:
    """Stop at a scheduler file that is damaged or of something else, before anything waits for it."""
    if not file.is_file():
        raise AgreementError(f"There is no scheduler file {file}.")
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
        whole = "://" in found["address"]
    except (OSError, ValueError, LookupError, TypeError):  # no text, no whole JSON, no address
        whole = False
    if not whole:
        raise AgreementError(
            f"{file} is no whole scheduler file: it names no address. Start the scheduler with "
            "--scheduler-file and wait until it has written it."
        )


def _require_same_versions(client: Any, scheduler: str) -> None:
    """Stop unless there are workers, and they and the scheduler run what runs here."""

    # inside this function, so that it travels as code: the other side may lack this package
    def versions() -> str:
        import platform
        from importlib.metadata import PackageNotFoundError, version

        try:
            from agreement import __version__ as ours
        except ImportError:
            return "no agreement"
        try:
            pandas = version("pandas")
        except PackageNotFoundError:
            pandas = "none"
        python = ".".join(platform.python_version_tuple()[:2])
        return f"agreement {ours}, Python {python}, pandas {pandas}"

    here, workers = versions(), client.run(versions)
    if not workers:
        raise AgreementError(
            f"The scheduler at {scheduler} has no workers. Start some and try again."
        )
    found = {"the scheduler": client.run_on_scheduler(versions)}
    found |= {f"worker {address}": text for address, text in workers.items()}
    unequal = [f"{who} has {text}" for who, text in found.items() if text != here]
    if unequal:
        more = f" (and {len(unequal) - 1} more differ)" if len(unequal) > 1 else ""
        raise AgreementError(
            f"The cluster cannot be used: {unequal[0]}{more}; this machine has {here}. "
            "Install the same versions everywhere."
        )
