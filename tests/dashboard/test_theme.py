"""Colours are held to WCAG 2.2 and to simulated colour blindness."""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest

from dashboard import theme
from dashboard.theme import DARK, LIGHT

CSS = (Path(theme.__file__).parent / "assets" / "joulebook.css").read_text(encoding="utf-8")
THEMES = [pytest.param(LIGHT, id="light"), pytest.param(DARK, id="dark")]
# Full protanopia, deuteranopia and tritanopia in linear sRGB: Machado, Oliveira and Fernandes, IEEE Trans. Vis. Comput.
# Graph. 15(6):1291, 2009, severity 1.0 (cited after public implementations).
BLINDNESS = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
SRGB_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # IEC 61966-2-1
WHITE = np.array([0.9505, 1.0, 1.089])


def linear(colour):
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """WCAG 2.2, "contrast ratio" and "relative luminance"."""
    dark, light = sorted(float(linear(colour) @ SRGB_TO_XYZ[1]) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def lab(rgb):
    """CIE 1976 L*a*b* of linear sRGB."""
    xyz = SRGB_TO_XYZ @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def variables(block):
    found = re.search(re.escape(block) + r" \{(.*?)\}", CSS, re.DOTALL)
    assert found, block
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", found[1]))


def test_contrast_formula_gives_the_standards_extremes():
    # Black on white is 21:1 by the definition; #767676 is the well-known lightest grey that passes 4.5:1 on white.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("block", [":root", ':root[data-scheme="dark"]', ":root:not([data-scheme])"])
def test_text_colours_of_the_page_reach_aa(block):
    colours = variables(block)
    texts, grounds = ("ink", "quiet", "accent", "attention", "alert"), ("ground", "surface", "raised")
    for text, ground in itertools.product(texts, grounds):
        assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)


def test_dark_colours_are_the_same_with_and_without_the_script():
    assert variables(':root[data-scheme="dark"]') == variables(":root:not([data-scheme])")


@pytest.mark.parametrize("chosen", THEMES)
def test_text_in_figures_reaches_aa_and_marks_reach_3(chosen):
    for colour in (chosen.ink, chosen.muted, chosen.harvest, chosen.wake, chosen.limit, chosen.budget):
        assert contrast(colour, chosen.ground) >= 4.5, colour
    for colour in (chosen.voltage, chosen.sleep, *chosen.categories):
        assert contrast(colour, chosen.ground) >= 3.0, colour


@pytest.mark.parametrize("chosen", THEMES)
@pytest.mark.parametrize("kind", BLINDNESS)
def test_categories_stay_apart_for_every_eye(chosen, kind):
    # CIE 1976 distance; about 2 is just seen side by side. 25 keeps small markers apart (our own margin, no source).
    seen = {colour: lab(np.array(BLINDNESS[kind]) @ linear(colour)) for colour in chosen.categories}
    for one, other in itertools.combinations(chosen.categories, 2):
        assert np.linalg.norm(seen[one] - seen[other]) > 25, (one, other)


def test_every_category_has_a_shape_of_its_own():
    assert len(set(theme.SYMBOLS)) == len(LIGHT.categories) == len(DARK.categories)


def test_figures_stand_on_the_pages_surface():
    assert LIGHT.ground == variables(":root")["surface"]
    assert DARK.ground == variables(':root[data-scheme="dark"]')["surface"]
