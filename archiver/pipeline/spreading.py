"""Checking bags side by side: on several processes here, or on the workers of a scheduler.

A bag is a task. A task whose process is lost is given out again; what comes back is entered
in the one ledger by the process that holds it. At most a few tasks for each worker are given
out at a time, so that memory does not grow with the store.
"""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from archiver.custody.audit import BagCheck, check_bag
from archiver.custody.store import Store, opened_store
from archiver.custody.verify import Depth
from archiver.errors import MisuseError, SurroundingsError
from archiver.package.signers import Signer

if TYPE_CHECKING:
    from multiprocessing.synchronize import Event

    from archiver.pipeline.audit import AuditPlan

__all__ = ["check_bags_at", "spread"]

_TASKS_PER_WORKER = 4
_BAGS_PER_TASK = 8
_CONNECT_S = 15
_RETRIES = 5


def check_bags_at(
    location: str,
    name: str,
    bags: tuple[str, ...],
    depth: str,
    workers: int | None,
    signers: tuple[Signer, ...] | None = None,
) -> tuple[BagCheck, ...]:
    """Check bags of a store that is opened for it; what a worker runs.

    Parameters
    ----------
    location, name : str
        As :func:`~archiver.custody.store.opened_store` takes them.
    bags : tuple of str
    depth : str
    workers : int, optional
        Threads.
    signers : tuple of Signer, optional
        Who may have signed.
    """
    with opened_store(location, name) as store:
        return tuple(
            check_bag(
                store,
                bag,
                Depth(depth),
                workers=workers,
                on_bytes=_go_on_unless_stopped,
                signers=signers,
            )
            for bag in bags
        )


class _StoppedError(Exception):
    """The process that gave out the task wants no answer any more."""


_stop: Event | None = None


def _begin_work(stop: Event) -> None:
    """Prepare a process of the pool: an interrupt at the keyboard is for the one above it."""
    global _stop  # noqa: PLW0603 - one for each process, as the pool hands it over
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _go_on_unless_stopped(count: int) -> None:
    del count
    if _stop is not None and _stop.is_set():
        raise _StoppedError


def spread(
    store: Store, bags: Sequence[str], plan: AuditPlan, until: Callable[[], bool]
) -> Iterator[BagCheck]:
    """Check bags side by side, in any order, until the time is up.

    Raises
    ------
    MisuseError
        dask is not installed.
    SurroundingsError
        The scheduler does not answer, or workers were lost again and again.
    """
    if plan.scheduler is not None:
        yield from _over_scheduler(store, bags, plan, plan.scheduler, until)
    else:
        yield from _over_processes(store, bags, plan, until)


def _over_processes(
    store: Store, bags: Sequence[str], plan: AuditPlan, until: Callable[[], bool]
) -> Iterator[BagCheck]:
    tasks = deque(
        tuple(bags[at : at + _BAGS_PER_TASK]) for at in range(0, len(bags), _BAGS_PER_TASK)
    )
    lost = 0
    while tasks and not until():
        given: dict[Future[tuple[BagCheck, ...]], tuple[str, ...]] = {}
        try:
            yield from _over_pool(store, tasks, plan, until, given)
        except BrokenProcessPool as error:
            lost += 1
            if lost > _RETRIES:
                raise SurroundingsError(
                    f"processes that check bags were ended from outside {lost} times",
                    where=f"--jobs {plan.jobs}",
                    remedy="Look whether the memory suffices, then run again with fewer jobs; "
                    "bags checked so far count",
                ) from error
            # What has come back already must not be checked and entered twice.
            for future in [f for f in given if f.done() and f.exception() is None]:
                del given[future]
                yield from future.result()
            tasks.extendleft(reversed(given.values()))


def _over_pool(
    store: Store,
    tasks: deque[tuple[str, ...]],
    plan: AuditPlan,
    until: Callable[[], bool],
    given: dict[Future[tuple[BagCheck, ...]], tuple[str, ...]],
) -> Iterator[BagCheck]:
    """Give out tasks until there are none; ``given`` holds those that are not back."""
    # A fresh interpreter, on every system: threads and open databases do not survive a fork.
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    # A queue without Python code of its own, so that an interrupt need not wait for it.
    done: SimpleQueue[Future[tuple[BagCheck, ...]]] = SimpleQueue()
    with ProcessPoolExecutor(
        plan.jobs, mp_context=context, initializer=_begin_work, initargs=(stop,)
    ) as pool:
        try:
            while True:
                while tasks and len(given) < plan.jobs * _TASKS_PER_WORKER and not until():
                    with _interrupts_for_this_process_only():
                        future = pool.submit(
                            check_bags_at,
                            store.location,
                            store.name,
                            tasks[0],
                            str(plan.depth),
                            1,
                            plan.signers,
                        )
                    given[future] = tasks.popleft()
                    future.add_done_callback(done.put)
                if not given:
                    return
                future = done.get()
                checks = future.result()
                del given[future]
                yield from checks
        except BaseException:
            # Those at work see it at their next block.
            stop.set()
            pool.shutdown(cancel_futures=True)
            raise


@contextlib.contextmanager
def _interrupts_for_this_process_only() -> Iterator[None]:
    """Keep Ctrl-C from a process that is started meanwhile, where systems can."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _over_scheduler(
    store: Store,
    bags: Sequence[str],
    plan: AuditPlan,
    address: str,
    until: Callable[[], bool],
) -> Iterator[BagCheck]:
    try:
        # An extra, and without types of its own.
        distributed: Any = importlib.import_module("distributed")
    except ImportError as error:
        raise MisuseError(
            "dask.distributed is not installed",
            where="--scheduler",
            remedy="Install it with: pip install 'archiver[cluster]'",
        ) from error
    try:
        client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SurroundingsError(
            f"the scheduler does not answer ({error})",
            where=address,
            remedy="Check the address and that the scheduler runs",
        ) from error
    with contextlib.closing(client):
        workers = max(1, len(client.scheduler_info()["workers"]))
        rest = iter(bags)

        def submit() -> Any:
            bag = None if until() else next(rest, None)
            if bag is None:
                return None
            return client.submit(
                check_bags_at,
                store.location,
                store.name,
                (bag,),
                str(plan.depth),
                None,
                plan.signers,
                pure=False,
                retries=_RETRIES,
            )

        first = [task for _ in range(workers * _TASKS_PER_WORKER) if (task := submit()) is not None]
        under_way = distributed.as_completed(first, loop=client.loop)
        for future in under_way:
            try:
                checks = future.result()
            except Exception as error:
                # Errors of the material are results; what arrives here is the cluster's.
                raise SurroundingsError(
                    f"a worker failed ({type(error).__name__}: {str(error)[:200]})",
                    where=address,
                    remedy="Look at the workers' logs, then run again; bags checked so far count",
                ) from error
            yield from checks
            future.release()
            if (task := submit()) is not None:
                under_way.add(task)
