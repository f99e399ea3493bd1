"""A plan's site as its site file."""

from collections.abc import Mapping

from tests.tools.simulator.plan import Chute, Floor, Limits, Plan, Stream


def site_toml(plan: Plan, profiles: Mapping[str, str]) -> str:
    """The site file of a plan; `profiles` names the profile of each chute by its id."""
    head = f"# {plan.name}: an invented building, as the simulator built it.\n" + _table(
        "[site]", id=plan.site, name=plan.name, time_zone=plan.time_zone
    )
    return "\n".join([head, *(_chute(chute, profiles[chute.id]) for chute in plan.chutes)])


def _chute(chute: Chute, profile: str) -> str:
    return "\n".join([
        _table("[[chute]]", id=chute.id, profile=profile), _limits(chute.limits),
        *map(_stream, chute.streams), *map(_floor, chute.floors),
    ])  # fmt: skip


def _limits(limits: Limits) -> str:
    return _table("[chute.limits]", **vars(limits))


def _stream(stream: Stream) -> str:
    return _table(
        "[[chute.stream]]", id=stream.id, kind=stream.kind, container_l=stream.container_l,
        density_kg_m3=stream.density_kg_m3, pickup=stream.pickup,
    )  # fmt: skip


def _floor(floor: Floor) -> str:
    return _table("[[chute.floor]]", **vars(floor))


def _table(head: str, **values: object) -> str:
    rows = [f"{key} = {_value(value)}" for key, value in values.items() if value is not None]
    return "\n".join([head, *rows, ""])


def _value(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
