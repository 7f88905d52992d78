"""The plant as the fields of its form show it: from the site file to fields, and two forms
compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.service.pages.plant.gate_fields import GATES, OF_A_GATE, OWN
from optimizer.text.figures import level
from optimizer.text.visible_text import fits_in_a_page

VARIABLE = ("unit", "low", "high")
NEW_SITE, FRACTION = "my plant", "fraction"


def fields_of(site: Site, lines: Iterable[str], *, new: bool) -> dict[str, str]:
    """The fields of the form for a plant.

    Args:
        site: the plant.
        lines: names of the lines to list.
        new: whether there is no site file yet.
    """
    found = {
        "site.name": NEW_SITE if new else site.name,
        "site.time_zone": site.time_zone.name,
        "site.mass": site.mass.name,
    }
    for setting in site.wholes:
        for each in (*VARIABLE, "step", "max_change"):
            found[f"s.{setting.name}.{each}"] = _shown(getattr(setting, each))
    for name, stated in site.file.settings.items():
        for each in GATES if name in GRAVITY_TABLE.names else OF_A_GATE:
            found[f"s.{name}.{each}"] = _shown(getattr(stated, each))
    feed = site.material[FEED_GRADE]
    found |= {f"f.{name}": _shown(getattr(feed, name)) for name in VARIABLE}
    found["f.unit"] = feed.unit or FRACTION
    properties = [name for name in site.material if name != FEED_GRADE]
    for k, name in enumerate(properties):
        found[f"m.{k}.name"] = found[f"m.{k}.old"] = name
        for each in VARIABLE:
            found[f"m.{k}.{each}"] = _shown(getattr(site.material[name], each))
    shown = [line for line in lines if fits_in_a_page(line)]
    for k, line in enumerate(shown):
        found[f"l.{k}.name"] = found[f"l.{k}.old"] = line
        own = site.file.lines[line].settings if line in site.file.lines else {}
        for name, fields in own.items():
            for each in OWN if name in GRAVITY_TABLE.names else OF_A_GATE:
                found[f"l.{k}.{name}.{each}"] = _shown(getattr(fields, each))
    return {**found, "lines": str(max(1, len(shown))), "properties": str(len(properties))}


def assumed_in(content: Mapping[str, Any]) -> set[str]:
    """What a site file leaves to the defaults: ``site.FIELD``, settings, the feed grade."""
    site, settings = content.get("site", {}), content.get("settings", {})
    found = {f"site.{name}" for name in ("name", "time_zone", "mass") if name not in site}
    for name in GRAVITY_TABLE.names:
        if not {"unit", "low", "high", "step"} <= set(settings.get(name, {})):
            found.add(name)
    return found | ({FEED_GRADE} - set(content.get("material", {})))


def told(fields: Mapping[str, str]) -> dict[str, str]:
    """The filled fields of a form by what they are about, for comparing two forms.

    >>> told({"l.0.name": "deck-1", "l.0.air.high": "60", "s.air.low": "0", "lines": "1"})
    {'line deck-1': 'listed', 'line deck-1, air, high': '60', 'air, low': '0'}
    """
    found = {}
    for name, value in fields.items():
        kind, *parts = name.split(".")
        if not value.strip() or kind not in ("site", "s", "f", "m", "l") or parts[-1:] == ["old"]:
            continue
        if kind in ("m", "l"):
            row = fields.get(f"{kind}.{parts[0]}.name", "").strip()
            parts = [f"{'line' if kind == 'l' else 'property'} {row}", *parts[1:]]
        words = [*(["feed grade"] if kind == "f" else []), *parts]
        if words[-1] == "name" and kind in ("m", "l"):
            words, value = words[:-1], "listed"
        found[", ".join(words).replace("_", " ")] = value.strip()
    return found


def _shown(value: Any) -> str:
    """The text of a field."""
    return "" if value is None else value if isinstance(value, str) else level(value)
