"""Everything can be read in every palette."""

import pytest

from mixmon.dashboard.palettes import PALETTES, palette

LEAST = {"print": 4.5, "dark": 4.5, "sunlight": 7.0}


def contrast(ink: str, ground: str) -> float:
    """Contrast ratio, 1 to 21, of two colours `#rrggbb`.

    (L1 + 0.05) / (L2 + 0.05) of the relative luminances (W3C, WCAG 2.1, definition of contrast ratio).

    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    lighter, darker = sorted((_relative_luminance(ink), _relative_luminance(ground)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _relative_luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1, definition; linear sRGB with weights 0.2126, 0.7152, 0.0722)."""
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "ground", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),  # WCAG 2.1: the largest there is
        ("#ffffff", "#ffffff", 1.0),
        ("#777777", "#ffffff", 4.48),  # known from the guideline's literature: just fails 4.5 (from memory)
        ("#767676", "#ffffff", 4.54),  # and the lightest grey that passes (from memory)
        ("#0000ff", "#ffffff", 8.59),  # (1 + 0.05) / (0.0722 + 0.05), by hand
    ],
)
def test_contrast_follows_the_published_formula(ink, ground, ratio):
    assert contrast(ink, ground) == pytest.approx(ratio, abs=0.005)


def shown(name):
    """Ink on ground as it is seen, by style."""
    for style, look in palette(name).items():
        pair = (look.ground, look.ink) if look.inverse else (look.ink, look.ground)
        yield style, *pair


@pytest.mark.parametrize("name", sorted(LEAST))
def test_text_stands_out(name):
    """4.5 to 1 for text (WCAG 2.1, 1.4.3), 7 to 1 in sunlight."""
    low = {style: contrast(ink, ground) for style, ink, ground in shown(name)}
    assert {style: ratio for style, ratio in low.items() if ratio < LEAST[name]} == {}


def test_mono_uses_the_terminal_s_own_colours():
    assert all(look.ink is None and look.ground is None for look in palette("mono").values())


def test_sunlight_is_bold_and_has_no_grey():
    looks = palette("sunlight").values()
    assert all(look.bold for look in looks)
    inks = {look.ink for look in looks} | {look.ground for look in looks}
    greys = [c for c in inks if c[1:3] == c[3:5] == c[5:7]]
    assert set(greys) == {"#000000", "#ffffff"}


@pytest.mark.parametrize("name", PALETTES)
def test_every_palette_has_every_style(name):
    assert palette(name).keys() == palette("print").keys()


@pytest.mark.parametrize("name", ["print", "sunlight", "dark"])
def test_only_two_hues_carry_meaning_and_neither_is_red_or_green(name):
    """Blue for rich, orange-vermilion for lean: hue angles about 200-215 and 15-30 degrees."""
    hues = set()
    for look in palette(name).values():
        for colour in (look.ink, look.ground):
            r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
            if max(r, g, b) - min(r, g, b) > 40:
                hues.add("blue" if b > r and b > g else "orange" if r > g > b else "other")
    assert hues == {"blue", "orange"}


@pytest.mark.parametrize("name", PALETTES)
@pytest.mark.parametrize("style", ["over", "nodata", "look"])
def test_a_blinking_word_is_drawn_differently_in_its_two_phases(name, style):
    looks = palette(name)
    assert looks[style] != looks[f"{style}-unlit"]
