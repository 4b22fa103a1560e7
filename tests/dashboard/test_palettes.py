"""Everything can be read in every palette."""

import numpy as np
import pytest
from print_legibility import LEAST, SIGHT, angles, contrast, low

from mixmon.dashboard.digits import LEAST_ARC_MINUTES
from mixmon.dashboard.palettes import PALETTES, palette


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


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("name", sorted(LEAST))
def test_text_stands_out_for_every_sight(name, sight):
    """4.5 to 1 for text (WCAG 2.1, 1.4.3), 7 to 1 in sunlight."""
    assert low(name, sight) == {}


def test_a_simulated_sight_keeps_neutral_colours_and_the_confusion_that_names_it():
    """Each row of a matrix adds to 1. Protan sight makes red dark (Machado, Oliveira and Fernandes 2009)."""
    assert np.array([SIGHT[s] for s in SIGHT]).sum(axis=2) == pytest.approx(1.0, abs=2e-6)
    for sight in SIGHT:
        assert contrast("#767676", "#ffffff", sight) == pytest.approx(4.54, abs=0.005)
    assert contrast("#ff0000", "#000000", "protan") < contrast("#ff0000", "#000000", "deutan")
    assert contrast("#ff0000", "#000000", "protan") < contrast("#ff0000", "#000000")


def test_large_digits_can_be_read_from_two_metres_at_every_size():
    """At least 16 minutes of arc (ISO 9241-3, second-hand); 15.6 inch at 80x24: 8.09 mm a row, by hand."""
    found = angles()
    assert min(min(one.blocks, one.strokes) for one in found) >= LEAST_ARC_MINUTES
    first = next(one for one in found if one.rows == 24 and one.inch == 15.6)
    assert first.blocks == pytest.approx(np.degrees(np.arctan(3 * 8.092e-3 / 2.0)) * 60, rel=1e-3)


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
