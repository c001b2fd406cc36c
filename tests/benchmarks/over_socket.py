"""The same draw once in process and once over a socket: the results must agree to what the traces resolve."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from inprocess import InProcess, dialect_of, take
from random_benches import Draw, draw

from instruments.analyzer import open_analyzer
from instruments.simulated.analyzer import Analyzer
from instruments.simulated.server import listen
from instruments.simulated.variants import load_variant
from sequencer.errors import NotchbookError
from sequencer.run.evaluate import evaluate

__all__ = ["apart"]


@contextmanager
def _served(drawn: Draw) -> Iterator[str]:
    """Serve the draw's analyzer on a socket of this computer; yields the VISA resource."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    instrument = Analyzer(drawn.simulated, load_variant(drawn.variant))
    waiting = asyncio.run_coroutine_threadsafe(listen(instrument, drawn.simulated.time, 0), loop)
    server, resource = waiting.result(timeout=10.0)
    try:
        yield resource
    finally:
        loop.call_soon_threadsafe(server.close)
        asyncio.run_coroutine_threadsafe(asyncio.sleep(0.1), loop).result()  # the connection sees that it has ended
        loop.call_soon_threadsafe(loop.stop)
        thread.join(timeout=5.0)


def apart(job: tuple[int, str, bool]) -> tuple[float, int, str]:
    """Return the largest difference of values and ends, how many were compared, and what differed in kind.

    In dB; of a frequency as a share of its interval. Infinite where statements, bounds or open ends differ.
    """
    seed, family, near_floor = job
    near, far = (draw(seed, family, near_floor=near_floor) for _ in range(2))
    try:
        here = evaluate(near.recipe, near.bench, take(near.recipe, near.bench, InProcess(near.simulated, near.variant)))
        with _served(far) as resource:
            place = InProcess(far.simulated, far.variant, connect=False)
            spec = replace(far.bench.analyzer, resource=resource, dialect=dialect_of(far.variant))
            place.analyzer = open_analyzer(spec, place)
            history = take(far.recipe, far.bench, place)
            place.analyzer.close()
    except NotchbookError as exc:
        return 0.0, 0, exc.message[:60]
    there = evaluate(far.recipe, far.bench, history)
    most, count = 0.0, 0
    for one, other in zip(here.results, there.results, strict=True):
        if (one.statement, one.bound, one.unit) != (other.statement, other.bound, other.unit):
            return float("inf"), count, f"{one.id}: {one.statement} here, {other.statement} there"
        for a, b in zip((one.value, *one.interval), (other.value, *other.interval), strict=True):
            if (a is None) != (b is None):
                return float("inf"), count, f"{one.id}: an end that is open on one side only"
            if a is not None and b is not None:
                low, high = one.interval
                size = 1.0 if one.unit == "dB" else (high or 0.0) - (low or 0.0) or 1.0
                most, count = max(most, abs(a - b) / size), count + 1
    return most, count, ""
