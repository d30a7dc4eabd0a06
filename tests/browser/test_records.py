"""The records on the page: the demo job, before and after, panels, the report and the sealed job as files."""

import contextlib
import csv
import io
import re
from itertools import pairwise

import pypdfium2
import pytest
from PIL import Image
from playwright.sync_api import TimeoutError as NotSeen
from playwright.sync_api import expect

from gapvision.cli import main
from tests.browser._help import DESK, PHONE, ROOT

FILES = ("bonnet.toml", "seam.toml", "finish.toml")


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_before_and_after(shop, visit, shots, readme_picture, size):
    one = visit(shop.url, size)
    one.view("Jobs")
    one.page.get_by_text("door, rear edge").first.wait_for()
    one.measured()
    one.page.get_by_text(re.compile("Mean change")).wait_for()
    expect(one.page.locator(".gv-key")).to_contain_text("before: as found, shade: its U")
    assert one.page.locator(".gv-chart .gv-more-u").count() >= 1, "the state before has its own shade of U"
    expect(one.page.locator(".gv-read")).to_have_text(re.compile(r"U [^;]*; before: as found \d\.\d\d mm .*, U \d"))
    one.page.get_by_text(re.compile("^Rectified to the plane of the panels")).wait_for()
    crops = [one.page.get_by_alt_text(f"Crop {word}: the seam with both its edges") for word in ("before", "after")]
    for crop in crops:
        crop.scroll_into_view_if_needed()
        expect(crop).to_have_js_property("complete", True)
    places = [crop.evaluate("e => [e.naturalWidth / e.naturalHeight, e.clientWidth]") for crop in crops]
    assert places[0] == pytest.approx(places[1], rel=0.01), "the same crop"
    first, second = (crop.bounding_box() for crop in crops)
    assert first["x"] == second["x"], "one above the other, the same station in the same place"
    assert first["width"] >= 900, "large enough to see a gap, also on a phone"
    assert one.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "the page itself stays in its place"
    if size is PHONE:
        one.page.locator(".gv-pair").evaluate("box => box.scrollLeft = 300")
        first, second = (crop.bounding_box() for crop in crops)
        assert first["x"] == second["x"] < -200, "and both move together"
        assert one.page.locator(".gv-pair figcaption").first.bounding_box()["x"] >= 0, "with their words in sight"
        one.page.locator(".gv-pair").evaluate("box => box.scrollLeft = 0")
    shots(one, f"demo_jobs_{'phone' if size is PHONE else 'desk'}")
    if size is PHONE:
        readme_picture(one, "page_jobs_phone", ".gv-narrow")
    one.fine()


def fetch(one, button, path):
    """Press a download button and keep the file."""
    with one.page.expect_download(timeout=60000) as taken:
        one.page.get_by_role("button", name=button, exact=True).click()
    taken.value.save_as(path)
    return path.read_bytes()


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_plots_with_their_second_line_as_files(shop, visit, tmp_path, size):
    one = visit(shop.url, size)
    one.view("Jobs")
    one.page.get_by_text(re.compile("Mean change")).wait_for()
    svg = fetch(one, "Profile, SVG", tmp_path / "j.svg").decode()
    assert "before: as found, hatched: its U" in svg
    with Image.open(io.BytesIO(fetch(one, "Profile, PNG", tmp_path / "j.png"))) as picture:
        assert (picture.format, picture.width) == ("PNG", 1500)
    table = list(csv.DictReader(fetch(one, "Profile, CSV", tmp_path / "j.csv").decode("utf-8-sig").splitlines()))
    assert len(table) > 200
    assert {"gap as found [mm]", "gap after trimming [in]", "U of change (k=2) [mm]", "change is"} <= set(table[0])
    one.view("Measure")
    one.measured()
    one.view("Decide")
    one.measured()
    one.unfold("Paint")
    box = one.page.get_by_role("combobox", name="Coats, in all")
    # As a thumb would: a list closes when the page moves, as it does while pictures come.
    one.page.wait_for_load_state("networkidle")
    one.page.wait_for_timeout(3000)
    box.evaluate("box => box.scrollIntoView({block: 'center', behavior: 'instant'})")
    one.page.wait_for_timeout(500)
    box.focus()
    box.press("ArrowDown")
    entries = one.page.get_by_role("option")
    entries.nth(3).wait_for()
    tops = entries.evaluate_all("all => all.slice(1, 6).map(e => e.getBoundingClientRect().top)")
    assert min(b - a for a, b in pairwise(tops)) >= 44, "entries of a list are touch targets too"
    one.page.get_by_role("option", name="high-build primer").click()
    tag = one.page.locator("[data-testid=stMultiSelect] [data-tag]")
    with contextlib.suppress(NotSeen):
        tag.wait_for(timeout=5000)
    if not tag.count():  # on a busy machine the list moved between press and release: by keys then
        box.fill("high-build primer")
        box.press("Enter")
    tag.wait_for()  # Escape before it is taken takes it back
    one.settled()
    one.page.keyboard.press("Escape")
    one.page.locator(".gv-verdict", has_text="After paint").wait_for()
    one.settled()
    expect(one.page.locator(".gv-key")).to_contain_text("gap after paint, shade: its U")
    one.unfold("Download")
    svg = fetch(one, "Profile, SVG", tmp_path / "d.svg").decode()
    assert "gap after paint, hatched: its U" in svg
    table = list(csv.DictReader(fetch(one, "CSV", tmp_path / "d.csv").decode("utf-8-sig").splitlines()))
    first = table[0]
    assert 0.02 < float(first["gap [mm]"]) - float(first["gap after paint [mm]"]) < 0.3
    assert float(first["U of gap after paint [mm]"]) > float(first["U (k=2) [mm]"])
    one.fine()


def test_report_and_sealed_job(shop, visit, tmp_path):
    one = visit(shop.url, DESK)
    one.view("Jobs")
    one.page.get_by_text("door, rear edge").first.wait_for()
    for button, name in (("Report for the customer, PDF", "r.pdf"), ("Whole job, ZIP", "j.zip")):
        with one.page.expect_download(timeout=60000) as taken:
            one.page.get_by_role("button", name=button).click()
        taken.value.save_as(tmp_path / name)
    with pypdfium2.PdfDocument(tmp_path / "r.pdf") as pdf:
        words = "".join(page.get_textpage().get_text_range() for page in pdf)
    assert "DEMO-1" in words
    assert main(["verify", str(tmp_path / "j.zip")]) == 0
    one.fine()


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_panel_and_plan(shop, visit, shots, readme_picture, size):
    one = visit(shop.url, size)
    one.view("Panels")
    # Nobody has to look for what is out of tolerance: the boot lid, not the first ready shape.
    drawing = one.page.get_by_role("img", name=re.compile("^boot lid: .*rear out of tolerance"))
    drawing.wait_for()
    one.page.locator(".gv-verdict", has_text="Out of tolerance: rear").wait_for()
    todo = one.page.get_by_role("button", name="Work out what to do")
    screen, places = one.page.viewport_size, [drawing.bounding_box(), todo.bounding_box()]
    assert all(box["y"] + box["height"] < 0.75 * screen["height"] for box in places), "on the first screen"
    todo.click()
    tick = one.page.get_by_text("Plan although nothing was measured of")  # the demo's boot lid has one measured seam
    refusal = one.page.locator(".gv-note.refusal")
    refusal.wait_for()
    above, below = refusal.bounding_box(), tick.bounding_box()
    assert 0 <= below["y"] - above["y"] - above["height"] < 44, "the way on stands beside the refusal"
    tick.click()
    head = one.page.get_by_role("heading", name="What to do")
    head.wait_for()
    one.settled()
    one.page.get_by_test_id("stMain").evaluate("e => e.scrollTop = 0")
    box = head.bounding_box()
    assert box["y"] + box["height"] + 100 < screen["height"], "what to do begins on the first screen"
    shots(one, f"panels_{'phone' if size is PHONE else 'desk'}")
    if size is PHONE:
        readme_picture(one, "page_panel_phone")
    one.fine()


def test_a_tried_move_is_seen_while_sliding_and_there_after_a_reload(shop, visit):
    one = visit(shop.url, PHONE)
    one.view("Panels")
    one.page.locator("summary", has_text="Try a move").wait_for()
    one.unfold("Try a move")
    drawing = one.page.get_by_role("img", name=re.compile("^boot lid, not moved: "))
    drawing.wait_for()
    sliders = one.page.get_by_role("slider")
    boxes = [drawing.bounding_box(), *(sliders.nth(k).bounding_box() for k in range(3))]
    assert max(b["y"] + b["height"] for b in boxes) - boxes[0]["y"] < one.page.viewport_size["height"]
    assert boxes[0]["y"] + boxes[0]["height"] <= boxes[1]["y"]
    before = one.page.get_by_role("img", name=re.compile("^boot lid: ")).get_attribute("alt")
    sliders.nth(1).focus()
    for _ in range(10):
        one.page.keyboard.press("ArrowRight")
    moved = one.page.get_by_role("img", name=re.compile("^boot lid, moved: "))
    moved.wait_for()
    assert one.page.locator("summary", has_text="Try a move").is_visible()
    one.settled()
    assert moved.is_visible(), "the box stays open"
    gap = re.compile(r"rear [^,]*, (\d\.\d\d) mm")
    change = float(gap.search(moved.get_attribute("alt"))[1]) - float(gap.search(before)[1])
    assert change == pytest.approx(1.0, abs=0.011), "1.0 mm forward opens the rear gap by as much"
    one.page.reload()
    one.page.get_by_role("heading", name="Panels", level=1).wait_for()
    one.page.locator("summary", has_text="Try a move").wait_for()
    one.unfold("Try a move")
    moved.wait_for()
    one.fine()


def test_a_panel_file_of_the_shop_is_drawn_kept_and_there_after_a_reload(shop, visit, shots):
    one = visit(shop.url, PHONE)
    one.view("Panels")
    one.page.get_by_text("The panel's specification").click()
    folder = ROOT / "sample_images" / "panel_example"
    one.page.locator("input[type=file]").last.set_input_files([str(folder / n) for n in FILES])
    one.page.get_by_role("img", name=re.compile("^bonnet: left")).first.wait_for()  # given at a boot lid
    one.settled()
    one.unfold("The drawing in words")
    one.page.get_by_text("left hinge (hinge): 2.00 mm to the left, 2.00 mm to the right").wait_for()
    one.page.get_by_role("button", name="Add an adjuster").click()
    words = {
        "Name of the adjuster": "front buffer",
        "Its place, x": "wide",
        "Its place, y": "2 1/2in",
        "How far out": "4mm",
    }
    for label, text in words.items():  # one after the other, while the page is still busy with the one before
        one.page.get_by_label(label).fill(text)
    one.page.get_by_role("button", name="Add it").click()
    one.page.locator(".gv-note", has_text="'wide' is not a length").wait_for()
    typed = {label: one.page.get_by_label(label).input_value() for label in words}
    assert typed == words, "nothing that was typed is lost, by a busy page or by a refusal"
    one.page.get_by_label("Its place, x").fill("250mm")
    one.page.get_by_role("button", name="Add it").click()
    one.page.get_by_text("front buffer (hinge): 0.00 mm in, 4.00 mm out").wait_for()
    one.settled()
    shots(one, "panel_file_phone")
    one.page.get_by_role("button", name="Keep with the job").click()
    one.page.get_by_text("Panel 'bonnet' is kept with job DEMO-1.").wait_for()
    one.page.reload()  # comes back to this view, job and panel
    one.page.get_by_role("heading", name="Panels", level=1).wait_for()
    one.page.locator("summary", has_text="The drawing in words").wait_for()
    one.unfold("The drawing in words")
    one.page.get_by_text("front buffer (hinge): 0.00 mm in, 4.00 mm out").wait_for()
    one.fine()
