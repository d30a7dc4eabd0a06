"""What goes wrong in a workshop: huge photos, files that are none, a page reloaded in the middle, and blind alleys."""

import io
import json
import os
import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.browser._help import DESK, PHONE, ROOT

SAMPLE = ROOT / "sample_images" / "backlit_bonnet_gap.jpg"


def give(one, name, data):
    """Upload bytes through the page's own control."""
    one.page.set_input_files("input[type=file]", {"name": name, "mimeType": "image/jpeg", "buffer": data})
    one.page.get_by_text(name).first.wait_for()
    one.settled()


def test_no_photo_is_refused_with_a_drawing(server, visit, shots):
    one = visit(server.url)
    one.measured()
    give(one, "letter.jpg", b"Dear customer")
    notice = one.page.locator(".gv-note.refusal")
    notice.wait_for()
    assert "Choose a JPEG" in notice.inner_text()
    assert notice.locator("img.gv-drawing").count() == 1
    shots(one, "no_photo_phone")
    one.fine()


def test_refused_photo_shows_advice_drawing_and_the_photo(server, visit, shots):
    sharp = np.random.default_rng(3).integers(0, 2, (225, 300), np.uint8).repeat(8, 0).repeat(8, 1) * 200 + 20
    buffer = io.BytesIO()
    Image.fromarray(sharp).save(buffer, "JPEG")
    one = visit(server.url)
    one.measured()
    give(one, "nostrip.jpg", buffer.getvalue())
    one.page.locator(".gv-verdict", has_text="! Photo refused").wait_for()
    assert one.page.locator(".gv-verdict img.gv-drawing").count() == 1
    one.page.locator(".gv-verdict", has_text="Lay a printed strip beside the seam").wait_for()
    assert one.page.get_by_role("button", name="Tap the seam").is_visible()
    assert one.page.locator(".gv-chart").is_hidden(), "the profile of the photo before must not stay on screen"
    assert one.page.locator(".gv-chart *").count() == 0
    assert one.page.locator(".gv-read").inner_text() == "", "nor what its station said"
    assert one.page.locator(".gv-forms *").count() == 0
    shots(one, "refused_phone")
    one.fine()


def test_48_megapixels(server, visit):
    with Image.open(SAMPLE) as small:
        big = small.convert("RGB").resize((8064, 6048), Image.Resampling.BICUBIC)
    buffer = io.BytesIO()
    big.save(buffer, "JPEG", quality=90)
    one = visit(server.url)
    one.measured()
    give(one, "big.jpg", buffer.getvalue())
    one.measured(60000)
    one.page.locator(".gv-read", has_text="Station").wait_for()
    # Zoomed in, the full picture is fetched and shown to the pixel.
    for _ in range(6):
        one.page.get_by_role("button", name="Zoom in").tap()
    for _ in range(100):
        if one.page.locator(".gv-sharp").evaluate("image => image.naturalWidth") == 8064:
            break
        one.page.wait_for_timeout(200)
    assert one.page.locator(".gv-sharp").evaluate("image => image.naturalWidth") == 8064
    one.fine()


def test_reload_brings_everything_back(server, visit):
    one = visit(server.url)
    one.measured()
    give(one, "kept.jpg", SAMPLE.read_bytes() + b"kept")
    one.unfold("What is wanted")
    field = one.page.get_by_role("textbox", name="Wanted gap")
    field.fill("4.9mm")
    field.press("Enter")
    one.settled()
    one.page.wait_for_timeout(500)
    one.page.reload()
    one.measured()
    one.unfold("What is wanted")
    assert one.page.get_by_role("textbox", name="Wanted gap").input_value() == "4.9mm"
    one.page.get_by_text("kept.jpg").first.wait_for()


#: Looks into the viewer's own tree, too.
DEEP = """() => { const deep = (what, root = document) => [...root.querySelectorAll(what),
  ...[...root.querySelectorAll('*')].filter(e => e.shadowRoot)
  .flatMap(e => deep(what.replace('body ', ''), e.shadowRoot))];
  """
VIEWS = ("Car", "Measure", "Decide", "Jobs", "Panels")
#: What stands behind a box's label or a button, by view; opened before a view is looked at.
BOXES = {
    "Car": ("Add a seam to this car",),
    "Measure": (
        *("Save to a job", "What is wanted", "Printed check lines", "What you know of the edges"),
        *("Leave a span out by numbers", "Spans, numbers and notes", "Download"),
    ),
    "Decide": ("Its numbers", "Try a move of the panel", "Paint", "Cautions"),
    "Jobs": ("New job",),
    "Panels": (
        *("The panel's size", "Which seam is where", "The panel's specification", "Try a move", "The drawing in words"),
    ),
}


def test_another_unit_moves_no_panel(server, visit):
    """The browser knows a slider's place by its words, which the unit changes: no panel may seem moved by that."""
    one = visit(server.url, DESK)
    one.measured()
    one.view("Decide")
    page, card = one.page, one.page.locator(".gv-card").first

    def opened():
        """How far to open or close the worst place [mm]."""
        return float(re.search(r"by up to (?:[\d./ ]+ in \()?([\d.]+) mm", card.inner_text())[1])

    def moved():
        shift, turn = page.get_by_role("slider").all()[:2]
        return shift.get_attribute("aria-valuetext"), turn.get_attribute("aria-valuetext").split()[0]

    def judged_by(nominal):
        page.locator(".st-key-spec_nominal input").first.fill(nominal)
        page.keyboard.press("Enter")
        one.settled()

    first = opened()
    one.unfold("Its numbers")
    one.unfold("Try a move of the panel")
    for unit, nothing, moved_on in (("inch decimals", "+0.000", "+0.008 in"), ("mm", "+0.0", "+0.2 mm")):
        box = page.get_by_role("combobox", name="Show lengths in")
        box.scroll_into_view_if_needed()
        page.get_by_test_id("stSelectbox").filter(has=box).get_by_role("button").first.click()
        page.get_by_role("option", name=unit, exact=True).click()
        one.settled()
        for nominal, more in (("5.7625mm", 1.0), ("4.7625mm", 0.0)):  # another run
            judged_by(nominal)
            expect(card).to_contain_text("Open it")
            if unit == "inch decimals":
                assert moved()[0].startswith(nothing)
                assert opened() == pytest.approx(first + more, abs=0.02)
            else:
                assert moved() == (moved_on, nothing), "a move that was tried stays"
        if unit == "inch decimals":
            page.get_by_role("slider").first.focus()
            page.keyboard.press("ArrowRight")
            page.keyboard.press("ArrowRight")
            expect(page.get_by_role("slider").first).to_have_attribute("aria-valuetext", moved_on)
            one.settled()
    one.fine()


def unfold(one, name):
    """Choose a view and open its boxes; Measure with a photo of one's own, Decide about a seam that is out."""
    one.view("Car" if name == "Decide" else name)
    if name == "Measure":
        give(one, "own.jpg", SAMPLE.read_bytes() + b"own")
        one.measured()
        one.settled()
    if name == "Decide":
        one.page.get_by_role("button", name="Next: what to do about").click()
        one.page.get_by_text("panel B's edge", exact=True).click()
        one.page.get_by_text("That edge is", exact=True).wait_for()
        one.settled()
    for label in BOXES[name]:
        if one.page.locator("summary", has_text=label).count():
            one.unfold(label)
    if name == "Measure":
        one.tools()
        for button in ("Leave a span out", "Tap the seam"):
            one.page.get_by_role("button", name=button, exact=True).click()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_touch_targets_and_small_print(shop, visit, scheme):
    one = visit(shop.url, PHONE, color_scheme=scheme)
    one.settled()
    for name in VIEWS:
        unfold(one, name)
        small = one.page.evaluate(
            DEEP + """return deep('button, a, input, textarea, label:has(input), summary')
            .filter(e => e.getClientRects().length && !e.closest('[data-testid=stToolbar]'))
            .filter(e => e.type !== 'file' && e.type !== 'checkbox' && (e.tabIndex >= 0 || e.tagName === 'BUTTON'))
            .map(e => [e.outerHTML.slice(0, 120), e.getBoundingClientRect()])
            .filter(([_, r]) => (r.height < 44 || r.width < 44) && r.width > 1 && r.height > 1)
            .map(([h, r]) => h + ' ' + r.width.toFixed(0) + 'x' + r.height.toFixed(0)); }"""
        )
        assert small == [], name
        tiny = one.page.evaluate(
            DEEP + """return deep('body *')
            .filter(e => e.getClientRects().length)
            .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
            .filter(e => !e.closest('[data-testid=stIconMaterial]') && parseFloat(getComputedStyle(e).fontSize) < 14)
            .map(e => getComputedStyle(e).fontSize + ' ' + e.textContent.slice(0, 40)); }"""
        )
        assert tiny == [], name
        # Text inside drawings shrinks with them.
        drawn = one.page.evaluate(
            """() => [...document.querySelectorAll('img[src^="data:image/svg"]')].filter(e => e.clientWidth)
            .map(e => [new DOMParser().parseFromString(atob(e.src.split(',')[1]), 'image/svg+xml').documentElement, e])
            .flatMap(([svg, e]) => [...svg.querySelectorAll('text')]
              .map(t => parseFloat(t.getAttribute('font-size')) * e.clientWidth / svg.viewBox.baseVal.width))"""
        )
        assert all(size >= 14 for size in drawn), (name, min(drawn))
        assert one.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 390, name


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """axe-core's script from npm, run from a file; nothing is fetched by the browser."""
    npm = shutil.which("npm")
    if npm is None and not os.environ.get("CI"):
        pytest.skip("no npm on this machine")
    folder = tmp_path_factory.mktemp("axe")
    subprocess.run([npm, "install", "--silent", "--no-audit", "--no-fund", "axe-core@4"], cwd=folder, check=True)
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


def contrast(one, other):
    """Contrast ratio of two colours (WCAG 2.2, relative luminance and contrast ratio)."""

    def luminance(colour):
        parts = [c / 255 for c in colour[:3]]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_no_serious_fault(shop, visit, axe, size, scheme, shots):
    one = visit(shop.url, size, color_scheme=scheme)
    one.settled()
    for name in VIEWS:
        unfold(one, name)
        # A colour on its way (the numbers under a slider fade in where the mouse rests) is not yet what anyone reads.
        one.page.evaluate(
            """() => Promise.allSettled(document.getAnimations()
            .filter(a => Number.isFinite(a.effect.getComputedTiming().endTime)).map(a => a.finished))"""
        )
        one.page.evaluate(axe)
        found = one.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        serious = [
            (v["id"], v["help"], [n["html"][:160] for n in v["nodes"]][:3])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert serious == [], json.dumps(serious, indent=1)
        # axe leaves these aside as undecided: white words on a filled ground.
        filled = one.page.evaluate(
            """() => [...document.querySelectorAll('button[kind^=primary], [data-tag], .gv-take')]
            .filter(e => e.getClientRects().length).map(e => [getComputedStyle(e.querySelector('p, span') || e).color,
              getComputedStyle(e).backgroundColor].map(c => c.match(/[\\d.]+/g).map(Number)))"""
        )
        assert all(contrast(*pair) >= 4.5 for pair in filled), (name, filled)
        if scheme == "dark":
            shots(one, f"{name.lower()}_dark_{'phone' if size is PHONE else 'desk'}")
