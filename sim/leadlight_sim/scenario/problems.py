"""Says what is wrong with a scenario: which key, what it holds, what may be there.

Two things live here. One turns a refused value's location into a key path with the limits that its field enforces. The
other is the rules that tie one part of a scenario to another.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from types import NoneType
from typing import Any, Literal, TypeAlias, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from leadlight.errors import LeadlightError


class ScenarioError(LeadlightError, ValueError):
    """A scenario cannot be used. ``args`` holds the problems, each one line that names its file and key."""

    def __str__(self) -> str:
        return "\n".join(map(str, self.args))


# --- One value at a time ------------------------------------------------------------------------------------

_Path: TypeAlias = tuple[str | int, ...]
_ABSENT = object()

_LIMITS = {"gt": "above", "ge": "from", "le": "to", "lt": "below", "min_length": "", "max_length": ""}


def problem_lines(error: ValidationError, table: Mapping[str, Any], root: type[BaseModel]) -> list[str]:
    """Return every problem of ``table``, a line each: key path, value, what is allowed.

    ``error`` is what validating ``table`` as ``root`` raised.
    """
    found: dict[_Path, str] = {}
    told: list[_Disagreement] = []
    for detail in error.errors(include_url=False):
        if detail["type"] == DISAGREEMENT:
            told += detail["ctx"]["found"]
        elif detail["type"] != "too_short" or not detail["input"]:  # else its entries were refused themselves
            path, text = _problem(detail, table, root)
            found.setdefault(path, text)
    # Parts are compared even where single values are wrong, so that one reading shows all there is to mend.
    for path, allowed, near in told or disagreements(_without(table, set(found), ())):
        value = _value(table, path)
        found.setdefault(path, _missing(allowed) if value is _ABSENT else _refusal(value, allowed, near))
    return [f"{_path_text(path, table)}: {text}" for path, text in found.items()]


def _problem(detail: ErrorDetails, table: Mapping[str, Any], root: type[BaseModel]) -> tuple[_Path, str]:
    path, owner, field, choices = _place(detail["loc"], root)
    kind = detail["type"]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(path[-1]), owner.model_fields, n=1)
        known = f"did you mean {near[0]}?" if near else "known keys: " + ", ".join(owner.model_fields)
        return path, f"unknown key (value {_value_text(_value(table, path))}); {known}"
    near_to: tuple[str, ...] = ()
    if kind.startswith("union_tag"):
        path += ("kind",)
        near_to = tuple(_tag(choice) for choice in choices)
        allowed = "one of " + ", ".join(near_to)
    elif field is None or isinstance(path[-1], int):
        allowed = "a table"
    else:
        allowed = detail["msg"] if kind == "narrower" else _allowed(path, field)
        near_to = tuple(map(str, get_args(field.annotation))) if get_origin(field.annotation) is Literal else ()
    value = _value(table, path)
    if value is _ABSENT:
        return path, _missing(allowed)
    near = difflib.get_close_matches(_value_text(value).strip('"'), near_to, n=1)
    return path, _refusal(value, allowed, near[0] if near else None)


def _place(
    loc: tuple[str | int, ...], root: type[BaseModel]
) -> tuple[_Path, type[BaseModel], FieldInfo | None, tuple[type[BaseModel], ...]]:
    # Follows an error's location through the models: to the key's path, the model and the field it belongs
    # to, and the models that its value might be.
    path: _Path = ()
    owner = root
    field: FieldInfo | None = None
    choices: tuple[type[BaseModel], ...] = (root,)
    for step in loc:
        if isinstance(step, int):
            if not choices:
                break  # one number of a pair: the pair is the value
            path += (step,)
        elif len(choices) > 1:
            choices = tuple(choice for choice in choices if _tag(choice) == step)
        else:
            owner = choices[0] if choices else owner
            field = owner.model_fields.get(step)
            choices = tuple(_models_in(field.annotation)) if field else ()
            path += (step,)
    return path, owner, field, choices


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models_in(inner)


def _tag(model: type[BaseModel]) -> str:
    return str(get_args(model.model_fields["kind"].annotation)[0])


def _allowed(path: _Path, field: FieldInfo) -> str:
    # The limits are read from the field that enforces them, so that the two cannot part.
    limits = {name: getattr(rule, name) for rule in field.metadata for name in _LIMITS if hasattr(rule, name)}
    options = [option for option in get_args(field.annotation) if option is not NoneType]
    inner = options[0] if len(options) == 1 else field.annotation
    numbers = " ".join(f"{_LIMITS[name]} {limits[name]}" for name in _LIMITS if limits.get(name) is not None)
    if get_origin(field.annotation) is Literal:
        text = "one of " + ", ".join(map(_value_text, options))
    elif inner is bool:
        text = "true or false"
    elif inner in (int, float):
        text = " ".join(filter(None, ["a whole number" if inner is int else "a number", numbers, field.description]))
    elif list(_models_in(field.annotation)):
        counts = f"{limits.get('min_length') or 0} to {limits.get('max_length')} tables headed [[{path[-1]}]]"
        text = counts if limits.get("max_length") else f"a table [{'.'.join(map(str, path))}]"
    else:
        text = field.description or "text"
    return text if field.is_required() or NoneType not in get_args(field.annotation) else f"{text}, or left out"


def _missing(allowed: str) -> str:
    return f"missing; allowed: {allowed}"


def _refusal(value: object, allowed: str, near: str | None = None) -> str:
    return f"{_value_text(value)} is not allowed; allowed: {allowed}" + (
        f"; did you mean {_value_text(near)}?" if near else ""
    )


def _value_text(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        plain = len(value) <= 4 and not any(isinstance(entry, dict | list) for entry in value)
        return f"[{', '.join(map(_value_text, value))}]" if plain else f"a list of {len(value)}"
    if isinstance(value, str | bool):
        # What could steer a terminal is written out.
        text = json.dumps(value, ensure_ascii=not str(value).isprintable())
    elif isinstance(value, int) and value.bit_length() > 1000:
        text = "a number of hundreds of digits"
    else:
        text = str(value)
    return text if len(text) <= 80 else f"{text[:76]} ..."


def _path_text(path: _Path, table: Mapping[str, object]) -> str:
    text = ""
    called = ""
    for length, step in enumerate(path, start=1):
        if isinstance(step, int):
            text += f"[{step}]"
            entry = _value(table, path[:length])
            name = entry.get("name", entry.get("id")) if isinstance(entry, dict) else None
            called = f" ({name})" if isinstance(name, str) and name.isprintable() else ""
        else:
            text += "." * bool(text) + (step if re.fullmatch(r"[\w-]{1,60}", step) else _value_text(step))
    return text + called


def _value(table: object, path: _Path) -> object:
    for step in path:
        if isinstance(step, int):
            table = table[step] if isinstance(table, list | tuple) and step < len(table) else _ABSENT
        else:
            table = table.get(step, _ABSENT) if isinstance(table, Mapping) else _ABSENT
    return table


def _without(value: object, bad: set[_Path], path: _Path) -> Any:
    # A copy in which refused values are None.
    if path in bad:
        return None
    if isinstance(value, Mapping):
        return {key: _without(inner, bad, (*path, key)) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_without(inner, bad, (*path, index)) for index, inner in enumerate(value)]
    return value


# --- One part against another -------------------------------------------------------------------------------

DISAGREEMENT = "disagreement"
"""The error type by which a model says that ``disagreements`` found some."""

_Disagreement: TypeAlias = tuple[_Path, str, str | None]


def disagreements(table: Mapping[str, Any]) -> Iterator[_Disagreement]:
    """Yield path, what is allowed and the nearest allowed value wherever one part contradicts another.

    ``table`` is plain. A value that is ``None`` was refused by itself, and nothing further is said about it.
    """
    run = table.get("run") or {}
    end_s = run.get("duration_s")
    if end_s is not None and run.get("settle_s") is not None and run["settle_s"] >= end_s:
        yield ("run", "settle_s"), f"less than the run's {end_s:g} s", None
    leader = (table.get("leader") or {}).get("name")
    yield from _repeats(table, "followers", "name", {leader: "leader"} if leader else {})
    yield from _repeats(table, "shows", "id", {})
    followers = _names(table, "followers", "name")
    yield from _cue_disagreements(table, end_s)
    yield from _order_disagreements(table, end_s)
    yield from _fault_disagreements(table, end_s, followers, _names(table, "shows", "id"))
    yield from _pair_disagreements(table, followers)
    yield from _air_disagreements(table)
    yield from _access_point_disagreements(table)
    site = table.get("site") or {}
    near_m, far_m = site.get("audience_near_m"), site.get("audience_far_m")
    if near_m is not None and far_m is not None and far_m < near_m:
        yield ("site", "audience_far_m"), f"from audience_near_m, {near_m:g}, up", None
    for name in site.get("places") or {}:
        if followers is not None and name not in followers:
            yield ("site", "places", name), "the name of a follower", _near(name, followers)


def _cue_disagreements(table: Mapping[str, Any], end_s: float | None) -> Iterator[_Disagreement]:
    shows = _names(table, "shows", "id")
    length_by_show = {show.get("id"): show.get("duration_s") for _, show in _entries(table, "shows")}
    before_s: float | None = None
    for index, cue in _entries(table, "cues"):
        show, at_s, position_s = cue.get("show"), cue.get("at_s"), cue.get("position_s")
        if show is not None and shows is not None and show not in shows:
            yield ("cues", index, "show"), "the id of a show", _near(show, shows)
        if "show" not in cue and cue.get("state", "rolling") in ("rolling", "paused"):
            yield ("cues", index, "show"), "the id of a show, unless the cue's state is dark or stopped", None
        yield from _beyond_the_end("cues", index, at_s, end_s)
        if at_s is not None and before_s is not None and at_s <= before_s:
            yield ("cues", index, "at_s"), f"later than the cue before it at {before_s:g} s", None
        before_s = before_s if at_s is None else at_s
        length_s = length_by_show.get(show)
        if position_s and length_s is not None and position_s >= length_s:
            yield ("cues", index, "position_s"), f"less than the show's {length_s:g} s", None


def _order_disagreements(table: Mapping[str, Any], end_s: float | None) -> Iterator[_Disagreement]:
    shows = _names(table, "shows", "id")
    can_lead = _can_lead(table)
    for index, order in _entries(table, "orders"):
        show, node, what = order.get("show"), order.get("node"), order.get("order")
        if node is not None and node not in can_lead:
            yield ("orders", index, "node"), "the name of the leader or of a standby", _near(node, can_lead)
        if show is not None and shows is not None and show not in shows:
            yield ("orders", index, "show"), "the id of a show", _near(show, shows)
        if what == "roll" and "show" not in order:
            yield ("orders", index, "show"), "the id of a show, where the order is roll", None
        for key, of in (("show", ("roll",)), ("position_s", ("roll", "seek")), ("off_in_s", ("off-time",))):
            if order.get(key) and what is not None and what not in of:
                yield ("orders", index, key), f"left out, unless the order is {' or '.join(of)}", None
        yield from _beyond_the_end("orders", index, order.get("at_s"), end_s)


def _can_lead(table: Mapping[str, Any]) -> list[str]:
    leader = table.get("leader") or {}
    return [str(leader.get("name", "leader")), *(str(one.get("name")) for _, one in _entries(table, "standbys"))]


def _fault_disagreements(
    table: Mapping[str, Any], end_s: float | None, followers: list[str] | None, shows: list[str] | None
) -> Iterator[_Disagreement]:
    over_at_s: dict[tuple[object, object], tuple[float, int]] = {}
    standbys = [str(standby.get("name")) for _, standby in _entries(table, "standbys")]
    members = [*(followers or []), *standbys]
    can_lead = _can_lead(table)
    everyone = [*can_lead, *(followers or [])]
    for index, fault in sorted(_entries(table, "faults"), key=lambda entry: entry[1].get("at_s") or 0.0):
        kind, follower, at_s = fault.get("kind"), fault.get("follower"), fault.get("at_s")
        standby, node = fault.get("standby"), fault.get("node")
        where = follower or standby or node or fault.get("access_point")
        if follower is not None and followers is not None and follower not in followers:
            yield ("faults", index, "follower"), "the name of a follower", _near(follower, followers)
        if standby is not None and standby not in standbys:
            yield ("faults", index, "standby"), "the name of a standby", _near(standby, standbys)
        if kind == "leader-suspended" and node is not None and node not in can_lead:
            yield ("faults", index, "node"), "the name of the leader or of a standby", _near(node, can_lead)
        elif node is not None and followers is not None and node not in everyone:
            allowed = "the name of the leader, of a standby or of a follower"
            yield ("faults", index, "node"), allowed, _near(node, everyone)
        show = fault.get("show")
        if show is not None and shows is not None and show not in shows:
            yield ("faults", index, "show"), "the id of a show", _near(show, shows)
        unknown = [name for name in fault.get("away") or () if followers is not None and name not in members]
        if unknown:
            yield ("faults", index, "away"), "names of followers and standbys", _near(unknown[0], members)
        yield from _beyond_the_end("faults", index, at_s, end_s)
        if at_s is None:
            continue
        earlier_over_at_s, earlier = over_at_s.get((kind, where), (0.0, 0))
        if at_s < earlier_over_at_s:
            allowed = f"at or after {earlier_over_at_s:g} s, when faults[{earlier}] of the same kind is over"
            yield ("faults", index, "at_s"), allowed, None
        over_at_s[kind, where] = (max(earlier_over_at_s, at_s + (fault.get("for_s") or 0.0)), index)


def _pair_disagreements(table: Mapping[str, Any], followers: list[str] | None) -> Iterator[_Disagreement]:
    seen: set[frozenset[str]] = set()
    for index, pair in _entries(table, "tight_pairs"):
        pieces = pair.get("pieces")
        if pieces is None or followers is None:
            continue
        unknown = [piece for piece in pieces if piece not in followers]
        if unknown or len(set(pieces)) < 2 or frozenset(pieces) in seen:
            near = _near(unknown[0], followers) if unknown else None
            yield (("tight_pairs", index, "pieces"), "the names of two different followers, each pair once", near)
        seen.add(frozenset(pieces))


def _air_disagreements(table: Mapping[str, Any]) -> Iterator[_Disagreement]:
    air = table.get("air") or {}
    fidelity = air.get("fidelity", "sampled")
    if fidelity in ("sampled", "tabled"):
        only_where_frames_compete = "left out, unless air.fidelity is contended: delays that are drawn cannot show it"
        for key in ("dozing", "scans", "converts_multicast", "forgets_members", "answer_loss_factor"):
            if air.get(key):
                yield ("air", key), only_where_frames_compete, None
        if table.get("access_points"):
            yield ("access_points",), only_where_frames_compete, None
    dropouts = air.get("dropouts") or {}
    mean, bad = dropouts.get("mean_loss_fraction"), dropouts.get("bad_loss_fraction")
    if mean is not None and bad is not None and mean >= bad:
        yield ("air", "dropouts", "mean_loss_fraction"), f"less than what a bad spell loses, {bad:g}", None
    if fidelity == "sampled":
        if table.get("neighbours"):
            allowed = "left out, unless air.fidelity is contended or tabled: the preset's distributions hold the load"
            yield ("neighbours",), allowed, None
        if air.get("fitted") and air.get("preset", "busy") not in ("idle", "busy", None):
            yield ("air", "preset"), "idle or busy where air.fitted holds the delays: they are in there", None
        if air.get("fitted") and air.get("measured_asymmetry"):
            yield ("air", "measured_asymmetry"), "false where air.fitted holds the delays of each way", None
        fitted = air.get("fitted") or {}
        windows, levels = fitted.get("windows"), fitted.get("levels")
        if windows and levels and max(windows) >= chr(ord("a") + len(levels)):
            yield ("air", "fitted", "windows"), f"a letter of one of {len(levels)} levels for each window", None
    elif fidelity in ("contended", "tabled"):
        if air.get("fitted"):
            allowed = f"left out where air.fidelity is {fidelity}: competing frames make the delays"
            yield ("air", "fitted"), allowed, None
        if str(air.get("preset", "busy")).startswith("model-"):
            yield ("air", "preset"), f"idle, busy or dozing where air.fidelity is {fidelity}", None
        if air.get("measured_asymmetry"):
            yield ("air", "measured_asymmetry"), f"false where air.fidelity is {fidelity}", None


def _access_point_disagreements(table: Mapping[str, Any]) -> Iterator[_Disagreement]:
    air = table.get("air") or {}
    first = air.get("name", "access point")
    yield from _repeats(table, "access_points", "name", {first: "air"})
    bands = {first: air.get("band", "2.4")}
    bands |= {point.get("name"): point.get("band", "2.4") for _, point in _entries(table, "access_points")}
    yield from _station_disagreements(table)
    for index, fault in _entries(table, "faults"):
        kind = fault.get("kind")
        name = fault.get("to") if kind == "roam" else fault.get("access_point")
        key = "to" if kind == "roam" else "access_point"
        if name is not None and None not in bands and name not in bands:
            yield ("faults", index, key), "the name of an access point", _near(str(name), filter(None, bands))
        elif kind == "roam" and name is not None:
            if air.get("fidelity", "sampled") != "contended":
                yield ("faults", index, "to"), "left out, unless air.fidelity is contended", None
            if fault.get("slower_ms") is not None:
                yield ("faults", index, "slower_ms"), "left out where `to` names an access point", None
        elif kind == "radar" and str(bands.get(first if name is None else name)) == "2.4":
            allowed = "one whose band is 5: at 2.4 GHz no access point makes way for radars"
            path = ("air", "band") if name is None else ("faults", index, "access_point")
            yield path, allowed if name is not None else "5 where an access point hears a radar", None


def _station_disagreements(table: Mapping[str, Any]) -> Iterator[_Disagreement]:
    leader = table.get("leader") or {}
    nodes = [leader, *(entry for part in ("standbys", "followers") for _, entry in _entries(table, part))]
    radio = [str(node.get("name", "leader")) for node in nodes if not node.get("wired")]
    air = table.get("air") or {}
    scans = air.get("scans") or {}
    yield from _not_among(("air", "dozing"), air.get("dozing") or (), radio, set())
    yield from _not_among(("air", "scans", "stations"), scans.get("stations") or (), radio, set())
    taken: set[str] = set()
    for index, point in _entries(table, "access_points"):
        yield from _not_among(("access_points", index, "stations"), point.get("stations") or (), radio, taken)
    every_s, for_s = scans.get("every_s", 120.0), scans.get("for_s", 4.0)
    if every_s is not None and for_s is not None and for_s >= every_s:
        yield ("air", "scans", "for_s"), f"less than every_s, {every_s:g}", None


def _not_among(path: _Path, names: Iterable[str], radio: list[str], taken: set[str]) -> Iterator[_Disagreement]:
    for name in names:
        if name not in radio or name in taken:
            allowed = "names of the leader, followers or standbys, none of them wired, each once"
            yield path, allowed, None if name in radio else _near(name, radio)
            return
        taken.add(name)


def _beyond_the_end(part: str, index: int, at_s: float | None, end_s: float | None) -> Iterator[_Disagreement]:
    if at_s is not None and end_s is not None and at_s >= end_s:
        yield (part, index, "at_s"), f"before the end of the run at {end_s:g} s", None


def _names(table: Mapping[str, Any], part: str, key: str) -> list[str] | None:
    # None where a name was refused itself: what refers to it cannot be judged.
    names = [entry.get(key) for entry in table.get(part) or () if isinstance(entry, Mapping)]
    whole = bool(names) and len(names) == len(table[part]) and None not in names
    return [str(name) for name in names] if whole else None


def _entries(table: Mapping[str, Any], part: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    for index, entry in enumerate(table.get(part) or ()):
        if isinstance(entry, Mapping):
            yield index, entry


def _repeats(table: Mapping[str, Any], part: str, key: str, taken: dict[object, str]) -> Iterator[_Disagreement]:
    for index, entry in _entries(table, part):
        name = entry.get(key)
        if name is not None and name in taken:
            yield (part, index, key), f"a {key} of its own; {taken[name]} has this one", None
        elif name is not None:
            taken[name] = f"{part}[{index}]"


def _near(text: str, known: Iterable[str]) -> str | None:
    found = difflib.get_close_matches(text, list(known), n=1)
    return found[0] if found else None
