"""What a page of `mixmon report` must keep, by its text alone: contrast, words for pictures, links, tables.

    python tools/check_page.py page.html...

Contrast: every colour of text on every ground of the page, in both schemes, at least 4.5:1 by the formula of
WCAG 2.2 (relative luminance; success criterion 1.4.3). Colours stand in variables alone: a rule of the style
sheet that names another colour is a fault. It ends with 1 where a page has a fault.
"""

from __future__ import annotations

import argparse
import re
from html.parser import HTMLParser
from itertools import product
from pathlib import Path

LEAST_CONTRAST = 4.5
SCHEME = re.compile(r":root\{color-scheme:(light|dark);([^}]*)\}")
VARIABLE = re.compile(r"--([\w-]+):(#[0-9a-f]{6});")
COLOUR = re.compile(r"(?<![\w-])(color|background|fill|stroke)\s*:\s*([^;}]+)")
USED = re.compile(r"var\(--([\w-]+)\)")
VOID = frozenset({"meta", "link", "br", "hr", "img", "input", "col"})


class Page(HTMLParser):
    """Elements of a page: ids, links, pictures, tables, and what it would load."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.pictures: list[dict[str, str | None]] = []
        self.texts: dict[str, str] = {}
        self.tables: list[dict[str, int]] = []
        self.heads_without_scope = 0
        self.loads: list[str] = []
        self.open: list[str] = []
        self.wrong_ends: list[str] = []
        self.style = ""
        self._named: str | None = None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        name = found.get("id")
        if name:
            self.ids.append(name)
        self._named = name if tag in {"title", "desc"} else None
        if tag == "svg":
            self.pictures.append(found)
        if tag == "table":
            self.tables.append({"caption": 0})
        if tag == "caption":
            self.tables[-1]["caption"] += 1
        if tag == "th" and found.get("scope") not in {"row", "col"}:
            self.heads_without_scope += 1
        if tag in {"script", "iframe", "object", "embed", "link", "img", "base", "form"}:
            self.loads.append(tag)
        self._take_links(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def _take_links(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for key, value in attrs:
            if key in {"href", "src", "xlink:href"} and value and not value.startswith("#"):
                self.loads.append(f"{tag} {key}={value}")
            elif key == "href" and value:
                self.links.append(value[1:])
            if key.startswith("on") or key == "style":
                self.loads.append(f"{tag} {key}")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.wrong_ends.append(tag)
        elif self.open:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.style += data
        if self._named is not None:
            self.texts[self._named] = self.texts.get(self._named, "") + data


def luminance(colour: str) -> float:
    """Relative luminance of a colour such as #0b4a8f (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def contrast_faults(style: str) -> list[str]:
    """Texts whose contrast is too small, colours that are not in the variables, schemes that differ."""
    schemes = {name: dict(VARIABLE.findall(body)) for name, body in SCHEME.findall(style)}
    faults = [] if set(schemes) == {"light", "dark"} else ["not both of a light and a dark scheme"]
    rules = SCHEME.sub("", style)
    used = set()
    for kind, value in COLOUR.findall(rules):
        names = USED.findall(value)
        used |= set(names)
        if not names and value.strip() not in {"none", "inherit"}:
            faults.append(f"{kind}: {value} is no variable")
    for scheme, colours in schemes.items():
        faults += [f"{scheme}: no colour --{name}" for name in sorted(used - set(colours))]
        texts = [name for name in colours if name.startswith("text")]
        grounds = [name for name in colours if name.startswith("back")]
        if not texts or not grounds:
            faults.append(f"{scheme}: no colour of text, or of a ground")
        for text, ground in product(texts, grounds):
            ratio = contrast(colours[text], colours[ground])
            if ratio < LEAST_CONTRAST:
                faults.append(f"{scheme}: {text} on {ground} {ratio:.2f}:1, less than {LEAST_CONTRAST}")
    return faults


def page_faults(text: str) -> list[str]:
    """Everything that is wrong with a page; empty where nothing is."""
    page = Page(text)
    faults = contrast_faults(page.style)
    faults += [f"needs {what}" for what in page.loads]
    faults += [f"</{tag}> ends nothing that is open" for tag in page.wrong_ends]
    faults += [f"<{tag}> is not ended" for tag in page.open]
    faults += [f"id {name} twice" for name in sorted({n for n in page.ids if page.ids.count(n) > 1})]
    faults += [f"link to #{name}, which is nowhere" for name in sorted(set(page.links) - set(page.ids))]
    faults += [f"{page.heads_without_scope} heads without a scope"] * bool(page.heads_without_scope)
    faults += [f"table {i} has no caption" for i, one in enumerate(page.tables, 1) if one["caption"] != 1]
    for one in page.pictures:
        names = (one.get("aria-labelledby") or "").split()
        if len(names) < 2 or not all(page.texts.get(name, "").strip() for name in names):
            faults.append(f"picture {one.get('id')} has no title, or no words")
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", nargs="+", type=Path)
    wrong = 0
    for path in parser.parse_args().page:
        text = path.read_text(encoding="utf-8")
        faults = page_faults(text)
        page = Page(text)
        wrong += bool(faults)
        print(
            f"{path}: {len(text.encode())} bytes, {len(page.pictures)} pictures, {len(page.tables)} tables, "
            f"{len(page.links)} links, {len(faults)} faults"
        )
        print("".join(f"  {fault}\n" for fault in faults), end="")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
