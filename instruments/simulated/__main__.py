"""`python -m instruments.simulated`: the simulated bench as a process of its own.

On standard output stands, when it is ready, one line of JSON. It ends when standard input does, so that it never
outlives who started it, or on SIGTERM; with --standalone on Ctrl-C or SIGTERM, and on a terminal a person moves its
leads.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import secrets
import signal
import sys
import threading
from typing import NoReturn

from instruments.simulated import devices
from instruments.simulated.analyzer import Analyzer
from instruments.simulated.bench import Bench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.commands import Instrument
from instruments.simulated.console import Console, data_sheet
from instruments.simulated.control import Control
from instruments.simulated.hislip import listen_hislip
from instruments.simulated.profile import PROFILES
from instruments.simulated.relays import Relays
from instruments.simulated.server import HOST, Server, listen, until
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.terminal import listen_serial
from instruments.simulated.variants import load_variant, variant_names
from sequencer.errors import NotchbookError, UsageError
from sequencer.recipe.problems import did_you_mean
from sequencer.units import LENGTH, parse

TRANSPORTS = ("socket", "hislip", "serial")


def main() -> int:
    """Serve until told to stop; returns the exit status."""
    asked = _arguments()
    if "list" in (asked.device, asked.variant):
        sys.stdout.write("\n".join(devices.names() if asked.device == "list" else variant_names()) + "\n")
        return 0
    try:
        for what, word, known in (("profile", asked.profile, PROFILES), ("transport", asked.transport, TRANSPORTS)):
            if word and word not in known:
                msg = f"there is no {what} {word!r} (there are: {', '.join(sorted(known))}){did_you_mean(word, known)}"
                raise UsageError(msg)
        device = _device(asked)
        if asked.variant == "random":
            asked.variant, asked.unknown = secrets.choice(variant_names()), True
        variant = load_variant(asked.variant)
        if asked.seed < 0 or asked.visit < 0 or not 0.0 <= asked.speed <= 1e6:
            msg = (
                f"seed {asked.seed}, visit {asked.visit}, speed {asked.speed:g}: none may be negative, "
                "the speed at most 1e6"
            )
            raise UsageError(msg)
        if not 0.0 <= asked.path_loss <= 20.0 or not asked.relay_isolation > 0.0:
            msg = (
                f"path loss {asked.path_loss:g} dB, relay isolation {asked.relay_isolation:g} dB: the loss must lie "
                "between 0 and 20 dB, the isolation above 0 dB"
            )
            raise UsageError(msg)
        relays = Relays(asked.seed, asked.path_loss, asked.relay_isolation)
        time = SimulatedTime(asked.speed)
        bench = Bench(
            device,
            PROFILES[asked.profile or ("standards" if asked.recipe.endswith("-thorough") else "lab")],
            asked.seed,
            time,
            visit=asked.visit,
            cable_move_s=asked.cable_move,
            relays=relays,
        )
        analyzer = Analyzer(bench, variant)
        if asked.goes_on:
            bench.go_on(*_goes_on(asked.goes_on))
            analyzer.status.read_esr()  # whoever had begun it has long seen that it was switched on
        asyncio.run(_serve(asked, bench, analyzer, Control(bench)))
    except NotchbookError as exc:
        sys.stderr.write(f"simulated bench: {exc.message}\n")
        return exc.exit_code
    except OSError as exc:
        sys.stderr.write(f"simulated bench: cannot listen on {HOST} port {asked.port}: {exc.strerror}\n")
        return UsageError.exit_code
    except KeyboardInterrupt:
        pass
    return 0


class _Parser(argparse.ArgumentParser):
    """Says in one line what was wrong: whoever chose the bench by `--bench simulated:...` never saw its usage."""

    def error(self, message: str) -> NoReturn:
        """End with status 2."""
        sys.stderr.write(f"simulated bench: {message.removeprefix('argument ')}\n")
        sys.exit(2)


def _arguments() -> argparse.Namespace:
    parser = _Parser(prog="python -m instruments.simulated", description="Serve the simulated bench.")
    parser.add_argument("--device", default="", help="device or fault; without it the recipe's own")
    parser.add_argument("--variant", default="free-binary", help=f"analyzer: {', '.join(variant_names())}; or random")
    parser.add_argument(
        "--profile", default="", help="how good the bench is; lab, or with check standards for a thorough recipe"
    )
    parser.add_argument("--seed", type=int, default=1, help="of all drawn errors and noise")
    parser.add_argument(
        "--visit", type=int, default=0, help="the same bench at another time: other noise, other matings"
    )
    parser.add_argument("--harness", default="", metavar="LENGTH", help="cables between the cavities, e.g. '12 in'")
    parser.add_argument("--q-times", type=float, default=1.0, metavar="N", help="Q of every cavity, times its own")
    parser.add_argument("--speed", type=float, default=0.0, help="times real time; 0: simulated time costs no waiting")
    parser.add_argument("--cable-move", type=float, default=0.1, metavar="S", help="simulated seconds a hookup takes")
    parser.add_argument(
        "--goes-on", default="", metavar="S,N,N", help="begun before: seconds since then, sweeps and matings so far"
    )
    parser.add_argument("--path-loss", type=float, default=0.0, metavar="DB", help="most that a path of relays loses")
    parser.add_argument("--path-thrus", action="store_true", help="the switch can make a thru through each path")
    parser.add_argument(
        "--relay-isolation", type=float, default=math.inf, metavar="DB", help="of open contacts; else perfect"
    )
    parser.add_argument("--transport", default="socket", help="how the instruments are reached")
    parser.add_argument("--port", type=int, default=0, help="of the analyzer; 0: the system's choice")
    parser.add_argument("--recipe", default="", help="name of the recipe that will be run: chooses the device")
    parser.add_argument("--ports", default="", help="ports of that recipe, with commas")
    parser.add_argument("--frequencies", default="", help="frequencies of that recipe in hertz, with commas")
    parser.add_argument("--standalone", action="store_true", help="do not end with standard input")
    parser.set_defaults(unknown=False)
    return parser.parse_args()


def _goes_on(text: str) -> tuple[float, int, int]:
    try:
        seconds, sweeps, matings = text.split(",")
        past = max(0.0, float(seconds)), max(0, int(sweeps)), max(0, int(matings))
    except ValueError:
        msg = f"--goes-on {text}: seconds, sweeps and matings, as in 12.5,40,5"
        raise UsageError(msg) from None
    return past


def _device(asked: argparse.Namespace) -> devices.Device:
    """Return the device asked for, else the recipe's, else the healthy one nearest to the recipe's frequencies."""
    harness_m = parse(asked.harness, LENGTH) if asked.harness else None
    device = devices.build(devices.resolve(asked.device, asked.recipe), harness_m=harness_m, q_times=asked.q_times)
    wanted = [port for port in asked.ports.split(",") if port]
    try:
        hertz = [float(hz) for hz in asked.frequencies.split(",") if hz]
    except ValueError:
        msg = f"--frequencies {asked.frequencies}: numbers in hertz, separated by commas"
        raise UsageError(msg) from None
    if not asked.device and harness_m is None and asked.q_times == 1.0 and hertz and _away(device, wanted, hertz) > 0.0:
        healthy = [one for one in map(devices.build, devices.names()) if one.healthy]
        device = min(healthy, key=lambda one: _away(one, wanted, hertz))
    shift_hz = _shift_hz(device, hertz)
    if shift_hz:
        device = devices.build(device.name, harness_m=harness_m, shift_hz=shift_hz, q_times=asked.q_times)
    lost = [port for port in wanted if port not in device.ports]
    if lost:
        msg = f"the simulated device {device.name} has the ports {', '.join(device.ports)}, not {', '.join(lost)}"
        raise UsageError(msg, device=device.name, ports=device.ports)
    return device


def _shift_hz(device: devices.Device, hertz: list[float]) -> float:
    """How far the unit's owner has tuned it to stand on the recipe's channels: same split, same band, else not."""
    own = sorted(device.frequencies.values())
    asked = sorted(hertz)
    if len(own) != len(asked):
        return 0.0
    shifts = [a - o for a, o in zip(asked, own, strict=True)]
    split = own[-1] - own[0]
    same_split = max(shifts) - min(shifts) <= 0.01 * max(split, 1e-4 * own[0])
    return shifts[0] if same_split and abs(shifts[0]) <= 0.03 * own[0] else 0.0


def _away(device: devices.Device, ports: list[str], hertz: list[float]) -> float:
    """How far a device is from a recipe: relative distance of the frequencies, and more for a port it lacks."""
    missing = sum(port not in device.ports for port in ports)
    return missing + max(min(abs(hz / own - 1.0) for own in device.frequencies.values()) for hz in hertz)


async def _serve(asked: argparse.Namespace, bench: Bench, analyzer: Analyzer, control: Control) -> None:
    first, analyzer_resource = await _listen(asked.transport, analyzer, bench.time, asked.port)
    second, switch_resource = await _listen(asked.transport, control, bench.time, 0)
    stop = asyncio.Event()
    _stop_on_signals(stop)
    if not asked.standalone:
        _stop_with_stdin(stop)
    resources = {"analyzer": analyzer_resource, "switch": switch_resource}
    text = bench_file(
        bench.profile,
        dialect=load_variant(asked.variant).dialect,
        ports=bench.device.ports,
        relays=bench.relays,
        path_thrus=asked.path_thrus,
        standards={each.id: bench.drawn.certificate_db(each.id) for each in bench.profile.standards},
        **resources,
    )
    device = bench.device
    assert isinstance(device, devices.Device)
    said = {
        **resources,
        "bench_file": text,
        "device": device.name,
        "title": device.title,
        "recipe": device.recipe,
        "ports": list(device.ports),
        "frequencies": dict(device.frequencies),
        "variant": asked.variant,
        "seed": asked.seed,
    }

    def ready() -> None:
        if asked.standalone and sys.stdin.isatty() and sys.stdout.isatty():
            sys.stdout.write(f"# On the bench: {device.title}.\n{data_sheet(text, unknown=asked.unknown)}")
            Console(bench, stop).start()
        else:
            sys.stdout.write(json.dumps(said) + "\n")
            sys.stdout.flush()

    await until(stop, [first, second], ready)


async def _listen(transport: str, instrument: Instrument, time: SimulatedTime, port: int) -> tuple[Server, str]:
    if transport == "hislip":
        return await listen_hislip(instrument, time, port)
    if transport == "serial":
        return await listen_serial(instrument, time)
    return await listen(instrument, time, port)


def _stop_on_signals(stop: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    for name in ("SIGTERM", "SIGINT"):
        number = getattr(signal, name)
        try:
            loop.add_signal_handler(number, stop.set)
        except NotImplementedError:  # an event loop without signals (Windows)
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))


def _stop_with_stdin(stop: asyncio.Event) -> None:
    """Whoever started us holds the other end of standard input; when that closes, they are gone."""
    loop = asyncio.get_running_loop()

    def watch() -> None:
        try:
            while os.read(0, 4096):
                pass
        except OSError:
            pass  # no standard input at all: the same as its end
        loop.call_soon_threadsafe(stop.set)

    threading.Thread(target=watch, daemon=True).start()


if __name__ == "__main__":
    sys.exit(main())
