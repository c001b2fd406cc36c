"""The bench file of a simulated bench: what it states of itself is true of the errors it has."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from instruments.simulated.bench import RE_MATED, hookup_names
from instruments.simulated.profile import Profile
from instruments.simulated.relays import Relays

__all__ = ["bench_file"]

CALIBRATED = "2026-05-01"  # invented


def bench_file(
    profile: Profile,
    *,
    analyzer: str,
    switch: str,
    dialect: str,
    ports: tuple[str, ...],
    relays: Relays,
    path_thrus: bool = False,
    standards: Mapping[str, float] | None = None,
) -> str:
    """Return the YAML text; ``analyzer`` and ``switch`` are VISA resources.

    ``path_thrus``: the switch can join the leads through each path's own contacts, so no stored losses are needed.
    ``standards``: what the certificates of the profile's check standards say, dB.
    """
    p = profile.stated
    pad = f"{{loss: {p.pad_loss_db:g} dB, vswr: {p.pad_vswr:g}}}"
    pads = f"pads: {{generator: {pad}, analyzer: {pad}}}\n" if p.pad_loss_db > 0.0 else ""
    names = tuple(each.id for each in p.standards)
    hookups: Mapping[str, int] = {name: number for number, name in enumerate(hookup_names(ports, names), start=1)}
    closes = "".join(
        f'    {name}: "ROUT:CLOS (@{number})"\n'
        for name, number in hookups.items()
        if path_thrus or name == RE_MATED or not name.startswith("thru ")
    )
    paths = () if path_thrus else tuple(f"{a}-{b}" for a, b in itertools.permutations(ports, 2))
    stated = relays.figures((*paths, *(f"reflect-{port}" for port in ports), *(f"standard-{name}" for name in names)))
    losses = "".join(
        f"    {name}: {{loss: {loss_db:.2f} dB, uncertainty: {u_db:.2f} dB, date: {CALIBRATED}}}\n"
        for name, (loss_db, u_db) in stated.items()
    )
    kit = "kit:\n" if p.standards else ""
    for each in p.standards:
        value = f"value: {(standards or {})[each.id]:.2f} dB, uncertainty: {each.u_db:g} dB"
        kit += f"  {each.id}: {{what: standard, {value}, vswr: {p.standard_vswr:g}, calibrated: {CALIBRATED}}}\n"
    return f"""\
# SIMULATED bench of an invented laboratory: nothing taken with it is a measurement.
bench: 1
analyzer:
  resource: "{analyzer}"
  visa: "@py"
  dialect: {dialect}
  vswr: {{limit: {p.analyzer_vswr:g}}}
  maximum input: {p.maximum_input_dbm:g} dBm
generator: {{level: {p.generator_dbm:g} dBm, vswr: {{limit: {p.generator_vswr:g}}}}}
bridge: {{directivity: {p.directivity_db:g} dB, test port vswr: {p.test_port_vswr:g}}}
{pads}specifications:
  scale: {{per dB: {p.scale_per_db:g} dB/dB, over range: {p.scale_over_range_db:g} dB}}
  attenuator switching: {p.attenuator_switching_db:g} dB
  reference switching: {p.reference_switching_db:g} dB
  rbw switching: {p.rbw_switching_db:g} dB
  drift: {p.drift_db_per_h:g} dB/h
  connection: {p.connection_db:g} dB
  load vswr: {p.load_vswr:g}
  noise: {p.noise_dbm_hz:g} dBm
  frequency: {{reference: {p.reference_ppm:g} ppm, span: {p.span_percent:g} %}}
switch:
  resource: "{switch}"
  read back: "ROUT:CLOS:STAT?"
  hookups:
{closes}  losses:
{losses}{kit}"""
