"""Tags that write figures, states, times and codes the same way on every page. See templates/README.md."""

from __future__ import annotations

import math
import re
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django import template
from django.forms import BoundField, Form
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from lims.core.cautions import RULE, cautions_for
from lims.core.codes import parse_code
from lims.core.display import Shown, pretty_unit, pretty_units, show_figure, show_number
from lims.core.errors import Refusal
from lims.core.quantities import spread_from_si
from lims.rigs.checks import UNITS as CHECK_UNITS
from lims.runs.explaining import explained_figure, explained_flag
from lims.web.navigation import address
from lims.web.states import kind_of, label_of

register = template.Library()
NO_BREAK = "\u00a0"
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")
POWER = re.compile(r"e([+-]?\d+)$")
RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "+")
PADDED = re.compile(r"-?\d+\.\d*0$")


@register.inclusion_tag("parts/_figure.html")
def figure(item: Any) -> dict[str, Any]:
    """A figure as value ± expanded uncertainty and unit; all digits and k in its title."""
    shown = Shown("") if item is None else show_figure(item)
    return {"value": shown.value, "expanded": shown.expanded, "unit": shown.unit, "full": shown.full}


@register.inclusion_tag("parts/_explain.html")
def explain_figure(key: str, label: str = "") -> dict[str, Any]:
    """The mark beside a figure's label that tells what the figure is; nothing for one that nobody explained."""
    return {"kind": "figure", "key": key, "label": label or act_words(key), "one": explained_figure(key)}


@register.inclusion_tag("parts/_explain.html")
def explain_label(label: str) -> dict[str, Any]:
    """The same mark, found by the label that a paper prints; nothing where the words are no figure's label."""
    key = str(label).lower().replace(" ", "_")
    return explain_figure(key, label)


@register.inclusion_tag("parts/_explain.html")
def explain_flag(code: str) -> dict[str, Any]:
    """The mark beside a flag that tells what the flag says; nothing for one that nobody explained."""
    return {"kind": "flag", "key": code, "label": act_words(code or ""), "one": explained_flag(code)}


@register.inclusion_tag("parts/_quantity.html")
def quantity(value: Any, unit: str = "", digits: int = 4) -> dict[str, Any]:
    """A number without uncertainty and its unit: `{% quantity batch.mass_g "g" %}`."""
    number = None if value in (None, "") else value if isinstance(value, Decimal) else float(value)
    full = "" if number is None else f"{number} {pretty_unit(unit)}".strip()
    return {"value": show_number(number, digits=digits), "unit": pretty_unit(unit), "full": full}


@register.inclusion_tag("parts/_quantity.html")
def deviation(value: Any, kind: str) -> dict[str, Any]:
    """A deviation that a check found, in the unit its kind is shown in: `{% deviation check.u check.kind %}`."""
    unit, of = CHECK_UNITS[kind]
    return quantity(spread_from_si(float(value), unit=unit, of=of), unit)


@register.inclusion_tag("parts/_state.html")
def state(item: Any, label: str = "") -> dict[str, Any]:
    """A state as a word and a shape; `item` is a record with `state`, or the state's value itself."""
    value = str(getattr(item, "state", item) or "")
    display = getattr(item, "get_state_display", None)
    return {
        "kind": kind_of(value),
        "label": label or (str(display()).lower() if display else label_of(value)),
        "shape": shape(value),
    }


@register.simple_tag
def shape(value: str) -> SafeString:
    """The shape alone, for a state, a severity or a message's level."""
    return render_to_string("parts/_shape.html", {"kind": kind_of(str(value or ""))})


@register.simple_tag
def when(moment: datetime | date | None, seconds: bool = False) -> SafeString | str:
    """An instant in the reader's zone with its offset, ISO 8601; a date alone as it is."""
    if moment is None:
        return "never"
    if not isinstance(moment, datetime):
        return format_html('<time datetime="{0}">{0}</time>', moment.isoformat())
    local = timezone.localtime(moment)
    clock = local.strftime("%H:%M:%S" if seconds else "%H:%M")
    offset = local.strftime("%z")
    text = NO_BREAK.join((local.strftime("%Y-%m-%d"), clock, f"{offset[:3]}:{offset[3:5]}"))
    return format_html('<time datetime="{}">{}</time>', moment.isoformat(), text)


@register.simple_tag
def now_here() -> SafeString | str:
    """The present instant, for a page's foot and for prints."""
    return when(timezone.now())


@register.simple_tag
def code_link(code: str, label: str = "") -> SafeString | str:
    """A record's code as a link to its page; plain text where the code has no page."""
    url = page_of(code)
    text = format_html('<span class="code">{}</span>{}', code, f"{NO_BREAK}{label}" if label else "")
    return format_html('<a class="code-link" href="{}">{}</a>', url, text) if url else text


@register.simple_tag
def lineage_item(item: Any) -> SafeString | str:
    """One parent or child on a record page: a code, a record with `code`, or a mapping with code, label, url."""
    if isinstance(item, dict):
        text = item.get("label", "")
        if item.get("url"):
            return format_html(
                '<a href="{}"><span class="code">{}</span> {}</a>', item["url"], item.get("code", ""), text
            )
        return code_link(item.get("code", ""), text)
    return code_link(str(getattr(item, "code", item)))


def page_of(code: str) -> str:
    """The address of a record's page by its code, or "" where there is none."""
    try:
        kind, plain = parse_code(str(code))
    except Refusal:
        return ""
    return address(kind.name.replace(" ", "-"), plain) or address("code", plain)


@register.filter
def unit_of(field: BoundField) -> str:
    """The unit shown beside a form field: `field.unit`, where the field has one."""
    return pretty_unit(getattr(field.field, "unit", "") or "")


@register.filter(name="unit")
def written_unit(unit: str) -> str:
    """A unit as printed: `{{ "mm^2*K/W"|unit }}` gives mm²·K/W."""
    return pretty_unit(unit)


@register.filter
def units(sentence: str) -> str:
    """A sentence of the analysis with its units as printed: mm²·K/W, µm."""
    return pretty_units(sentence)


@register.filter
def worked_number(text: str) -> str:
    """A number of a working with its unit as printed: `91.5e-6 m^2*K/W` gives 91.5×10⁻⁶ m²·K/W."""
    number, _, unit = text.partition(" ")
    number = POWER.sub(lambda found: f"×10{found[1].translate(RAISED)}", number)
    return f"{number}{NO_BREAK}{pretty_unit(unit)}".strip(NO_BREAK)


@register.filter
def act_words(act: str) -> str:
    """An act or a field's name in words: `lot.withdraw_release` becomes "withdraw release"."""
    return str(act).rpartition(".")[2].replace("_", " ")


@register.filter
def changed_value(value: Any, field: str) -> SafeString | str:
    """A value in the history as people write it: an instant in their zone, a state in words, no needless zeros."""
    if value is None or value == "":
        return "nothing"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "nothing"
    text = str(value)
    if field == "state":
        return act_words(text)
    if INSTANT.match(text):
        return when(datetime.fromisoformat(text), seconds=True)
    return text.rstrip("0").rstrip(".") if PADDED.match(text) else text


@register.inclusion_tag("parts/_caution.html")
def cautions(*keys: Any) -> dict[str, Any]:
    """The safety cautions by their keys: `{% cautions "powder" "press" %}` or `{% cautions lot.caution_keys %}`."""
    names = [name for key in keys for name in ([key] if isinstance(key, str) else key)]
    return {"cautions": cautions_for(names), "caution_rule": RULE}


@register.filter
def pause_words(pause: timedelta | None) -> str:
    """How long a pause lasts, in words."""
    minutes = math.ceil(pause.total_seconds() / 60) if pause else 0
    return "a while" if not minutes else f"{minutes} minute{'' if minutes == 1 else 's'}"


@register.filter
def slip_of(field: BoundField) -> str:
    """The typed value, where the field's error is that it is far from what is expected (`NumberField.expected`)."""
    found = (error for error in field.errors.as_data() if error.code == "slip")
    return next((str(field.value()) for _ in found), "")


@register.filter
def words(text: str) -> list[str]:
    """The words of a text, for a loop over a few names."""
    return text.split()


@register.filter
def wrong_fields(form: Form) -> list[BoundField]:
    """The fields of a form that have errors, in their order."""
    return [field for field in form if field.errors]
