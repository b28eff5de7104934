"""What a player, a tool and a test import: listed, whole, and light."""

from __future__ import annotations

import importlib.metadata
import inspect
import re
import resource
import statistics
import subprocess
import sys
import typing
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
import rooms

import leadlight
import leadlight_sim
from leadlight import events
from leadlight.cue import dark_cue
from leadlight.net import FollowerThread
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition

ROOT = Path(__file__).resolve().parents[2]


MADE_BY_A_NETWORK = {"VirtualHost", "VirtualLoop"}
"""Nobody else makes them: their constructors are not for users."""


def offered(face: str) -> dict[str, Any]:
    module = importlib.import_module(face)
    return {name: getattr(module, name) for name in module.__all__}


def of_ours(kind: Any) -> Iterator[Any]:
    """Every type of ours that an annotation names."""
    if isinstance(kind, type) and kind.__module__.partition(".")[0] in ("leadlight", "leadlight_sim"):
        yield kind
    for part in typing.get_args(kind):
        if isinstance(part, list):
            for inner in part:
                yield from of_ours(inner)
        else:
            yield from of_ours(part)


def signatures_of(what: Any) -> Iterator[Callable[..., Any]]:
    if inspect.isfunction(what):
        yield what
    elif isinstance(what, type):
        if "__init__" in what.__dict__ and what.__name__ not in MADE_BY_A_NETWORK:
            yield what.__dict__["__init__"]
        for kind in what.__mro__:
            if kind.__module__.partition(".")[0] not in ("leadlight", "leadlight_sim"):
                continue
            for name, member in kind.__dict__.items():
                if name.startswith("_"):
                    continue
                if isinstance(member, property) and member.fget is not None:
                    yield member.fget
                elif isinstance(member, classmethod | staticmethod):
                    yield member.__func__
                elif inspect.isfunction(member):
                    yield member


def named_by(what: Any) -> set[Any]:
    """The types of ours that the signatures and fields of a public name speak of."""
    found: set[Any] = set()
    for signature in signatures_of(what):
        module = sys.modules[signature.__module__]
        for kind in typing.get_type_hints(signature, vars(module) | {"Path": Path}).values():
            found.update(of_ours(kind))
    if isinstance(what, type) and (hasattr(what, "__dataclass_fields__") or hasattr(what, "_fields")):
        for kind in typing.get_type_hints(what).values():
            found.update(of_ours(kind))
    return found


@pytest.mark.parametrize("face", rooms.FACES)
def test_every_name_that_is_offered_is_there_once_and_is_no_room_s(face: str) -> None:
    names = offered(face)
    assert list(importlib.import_module(face).__all__) == rooms.offered(face)
    assert len(names) == len(rooms.offered(face))
    assert not {room.rpartition("/")[2] for order in rooms.ORDER.values() for room in order} & names.keys()


def test_the_documented_listing_is_what_is_offered() -> None:
    text = rooms.PUBLIC.read_text(encoding="utf-8")
    table = text.partition("<!-- the public face -->")[2].partition("<!-- end of the public face -->")[0]
    listed = {
        row[1].strip(" `"): set(re.findall(r"`(\w+)`", row[2]))
        for row in (line.split("|") for line in table.splitlines() if line.startswith("| `"))
    }
    assert listed == {face: set(importlib.import_module(face).__all__) for face in rooms.FACES}


@pytest.mark.interpreted
@pytest.mark.parametrize("face", rooms.FACES)
def test_every_type_that_a_public_signature_names_is_public(face: str) -> None:
    everything = [what for other in rooms.FACES for what in offered(other).values()]
    missing = {
        f"{name} speaks of {kind.__qualname__}"
        for name, what in offered(face).items()
        for kind in named_by(what)
        if not any(kind is public for public in everything)
    }
    assert missing == set()


@pytest.mark.interpreted
def test_the_walk_through_signatures_sees_what_they_name() -> None:
    assert {leadlight.FollowerSettings, leadlight.Recovery, leadlight.Library} <= named_by(leadlight.Follower)
    assert leadlight.Cue in named_by(leadlight.Leader)
    assert leadlight.ClockView in named_by(leadlight.Snapshot)


def test_the_version_is_the_distribution_s() -> None:
    assert leadlight.__version__ == importlib.metadata.version("leadlight")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("import_", "lacking"),
    [
        ("leadlight", {"asyncio", "socket", "importlib.metadata", "msgpack", "leadlight.clock"}),
        ("leadlight_sim", {"asyncio", "numpy", "pydantic", "leadlight"}),
        ("leadlight.commands.cli", {"numpy", "pydantic", "rich", "asyncio", "leadlight.clock", "leadlight_sim"}),
    ],
)
def test_a_face_loads_nothing_that_is_not_asked_for(import_: str, lacking: set[str]) -> None:
    code = f"import {import_}, sys; print(*[name for name in {sorted(lacking)!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""


def processor_seconds(words: list[str]) -> float:
    """How much processor time a process takes, whatever else the machine does."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.slow
def test_the_list_of_commands_waits_for_nothing_that_it_does_not_need() -> None:
    plain, listing = [sys.executable, "-c", "pass"], [sys.executable, "-m", "leadlight", "--help"]
    took = [(processor_seconds(plain), processor_seconds(listing)) for _ in range(5)]
    plain_s, listing_s = (statistics.median(each) for each in zip(*took, strict=True))
    # Ten times what Python takes to begin, of which argparse and the list of installed packages are half.
    assert listing_s < 14 * plain_s
    assert listing_s < 0.2 * max(plain_s / 0.012, 1.0)  # on the machine on which Python begins in 12 ms


@pytest.mark.slow
def test_a_quiet_rehearsal_loads_nothing_that_draws() -> None:
    code = """if True:
        import sys
        from leadlight.commands import main
        assert main(["rehearse", "--quiet", "--duration", "90"]) == 0
        print(*[name for name in ("matplotlib", "PIL", "jinja2", "rich") if name in sys.modules], file=sys.stderr)"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stderr.strip() == ""


def test_what_the_library_offers_is_found_when_asked_for() -> None:
    assert set(dir(leadlight)) == set(leadlight.__all__)
    with pytest.raises(AttributeError, match="no attribute 'Conductor'"):
        _ = leadlight.Conductor


def test_what_the_simulator_offers_is_found_when_asked_for() -> None:
    assert set(dir(leadlight_sim)) == set(leadlight_sim.__all__)
    assert leadlight_sim.rehearse_evening.__name__ == "rehearse"
    with pytest.raises(AttributeError, match="no attribute 'rehearse_mornings'"):
        _ = leadlight_sim.rehearse_mornings


# -- as people see them ----------------------------------------------------------------------------------------------


TIDEFALL = leadlight.StoredShow("tidefall", leadlight.FrameRate(40), 7680, edition="2")
ROLLS = leadlight.Cue(
    TIDEFALL.key,
    leadlight.CueState.ROLLING,
    leadlight.ShowLine(LeaderInstant(100 * SECOND), ShowPosition(30_500 * MILLISECOND), -120),
)


def test_a_cue_names_its_show_where_its_key_was_made_here() -> None:
    assert repr(ROLLS) == "<Cue: rolling, 'tidefall 2', 30.5 s at 100 s -120 ppb>"
    assert repr(ROLLS._replace(show=255)) == "<Cue: rolling, show 00000000000000ff, 30.5 s at 100 s -120 ppb>"
    assert repr(dark_cue(LeaderInstant(1))) == "<Cue: dark, no show, 0 s at 0.000000001 s>"


def test_an_event_says_when_and_who() -> None:
    at = LocalInstant(2 * SECOND)
    assert repr(events.CueAdopted(at, ROLLS)) == f"CueAdopted(at=2 s, cue={ROLLS!r})"
    assert repr(events.LeaderLost(at, 0xABC, 5 * SECOND)) == "LeaderLost(at=2 s, leader=00000abc, silent_ns=5 s)"
    assert repr(events.ShowMissing(at, TIDEFALL.key)) == "ShowMissing(at=2 s, show='tidefall 2')"
    changed = events.RoleChanged(at, leadlight.Role.LEADING, leadlight.Role.ASKING)
    assert repr(changed) == "RoleChanged(at=2 s, role=leading, previous=asking)"


def test_cores_and_endpoints_say_what_they_are_and_how_they_stand() -> None:
    codec, now = leadlight.Codec("quarry lake"), LocalInstant(SECOND)
    follower = leadlight.Follower(leadlight.FollowerSettings("jetty"), codec, Random(1))
    assert repr(follower) == "<Follower 'jetty': follows nobody, free run; dark, no show, 0 s at 0 s>"
    settings = leadlight.LeaderSettings("boathouse", listen_intervals=0)
    assert repr(leadlight.Leader(settings, codec, Random(1), now)) == (
        "<Leader 'boathouse': leading; dark, no show, 0 s at 1 s>"
    )
    node = FollowerThread(leadlight.FollowerSettings("jetty"), group="quarry lake")
    assert repr(node) == f"<FollowerThread new, group 'quarry lake': {follower!r}>"
