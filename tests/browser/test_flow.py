"""The shop's day on a phone: upload, profile, tolerance, tapped points, save, compare, download."""

import json
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from gapvision.records import Store
from tests.browser._help import DESK, PHONE, ROOT

SAMPLE = ROOT / "sample_images" / "backlit_bonnet_gap.jpg"
OTHER = ROOT / "sample_images" / "open03_door_arc.jpg"

#: Words in the plots that lie on each other or beyond their drawing.
OVERLAPS = """(root) => [...root.querySelectorAll('.gv-chart, .gv-forms svg')].flatMap((svg) => {
  const frame = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll('text')].map((t) => [t.textContent, t.getBoundingClientRect()]);
  const beyond = boxes.filter(([, r]) =>
    r.left < frame.left - 1 || r.right > frame.right + 1 || r.bottom > frame.bottom + 1);
  const on = boxes.flatMap(([words, r], i) => boxes.slice(i + 1).filter(([, q]) =>
    Math.min(r.right, q.right) - Math.max(r.left, q.left) > 1
    && Math.min(r.bottom, q.bottom) - Math.max(r.top, q.top) > 3
  ).map(([more]) => `${words} on ${more}`));
  return [...beyond.map(([words]) => words), ...on];
})"""


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_opens_measured_and_fits_the_screen(server, visit, shots, readme_picture, size):
    one = visit(server.url, size)
    one.measured()
    one.settled()
    width = size["viewport"]["width"]
    assert one.page.evaluate("document.documentElement.scrollWidth") <= width
    assert one.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= width
    shots(one, f"measure_{'phone' if size is PHONE else 'desk'}")
    if size is PHONE:
        readme_picture(one, "page_measure_phone", ".gv-photo")
    one.fine()


def test_the_verdict_is_on_the_first_screen_of_a_phone_and_lengths_follow_the_switch(server, visit, shots):
    one = visit(server.url)
    one.measured()
    one.settled()
    verdict = one.page.locator(".gv-verdict")
    upload(one, SAMPLE)
    one.page.get_by_text(SAMPLE.name).first.wait_for()
    one.measured()
    one.settled()
    shots(one, "uploaded_phone")
    for where in ("uploaded", "after a reload"):  # as it is when the plain form leads back to the page
        assert one.page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop") == 0
        box = verdict.bounding_box()
        assert box["y"] + box["height"] <= PHONE["viewport"]["height"], f"seen without scrolling, {where}"
        if where == "uploaded":
            one.page.reload()
            one.measured()
            one.settled()
    assert SAMPLE.name in verdict.inner_text(), "with the photo's name"
    for part in (".gv-photo", ".gv-chart", ".gv-take"):  # photo, plot and what to do next, too
        box = one.page.locator(part).first.bounding_box()
        assert box["y"] + box["height"] <= PHONE["viewport"]["height"], part
    assert one.page.locator(".gv-chosen").count() == 1, "the worst place is marked in the photo"
    assert re.search(r"Worst: \d\.\d\d mm \(.* in\) at \d+ mm, U .*Next: \w+", verdict.inner_text(), re.S)
    for unit, worst, read, axis in (
        (
            "inch decimals",
            r"0\.1\d+ in \(4\.\d+ mm\) at \d\.\d\d in, U 0\.0\d+ in",
            r"Station \d\.\d\d in: gap 0\.",
            "[in]",
        ),
        (
            "inch fractions",
            r"\d+/(?:2|4|8|16|32|64) in(?: full| scant)? \(4\.\d+ mm\) at 7 \d+/\d+ in, U 0\.0\d+ in",
            r"Station 7 \d+/\d+ in: gap \d+/",
            "[in]",
        ),
        ("mm", r"4\.\d\d mm \(0\.1\d\d in\) at \d+ mm, U 0\.\d\d mm", r"Station \d+ mm: gap 4\.", "[mm]"),
    ):
        box = one.page.get_by_role("combobox", name="Show lengths in")
        box.scroll_into_view_if_needed()
        one.page.get_by_test_id("stSelectbox").filter(has=box).get_by_role("button").first.tap()
        one.page.get_by_role("option", name=unit, exact=True).click()
        expect(verdict).to_contain_text(re.compile(worst))
        expect(one.page.locator(".gv-read")).to_have_text(re.compile(read))
        expect(one.page.locator(".gv-chart")).to_contain_text(f"station along the seam {axis}")
        assert one.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 390
        shots(one, f"unit_{unit.replace(' ', '_')}_phone")
    one.fine()


def upload(one, path, selector="input[type=file]"):
    """Give a file to the page's own upload control."""
    one.page.set_input_files(selector, str(path))
    one.settled()


def test_a_day(server, visit, shots, tmp_path):
    one = visit(server.url)
    one.measured()
    upload(one, OTHER)
    one.page.get_by_text("open03_door_arc.jpg").first.wait_for()
    one.measured()
    # tolerance: redrawn without measuring again
    one.unfold("What is wanted")
    field = one.page.get_by_role("textbox", name="Tolerance, either way")
    field.fill("3mm")
    field.press("Enter")
    one.page.locator(".gv-verdict", has_text="In tolerance").first.wait_for()
    field.fill("0.2mm")
    field.press("Enter")
    one.page.locator(".gv-verdict", has_text="Out of tolerance").first.wait_for()
    one.settled()
    one.unfold("Spans, numbers and notes")
    rows = one.page.get_by_role("region", name="Spans").locator("tbody tr")
    expect(one.page.locator(".gv-chart .gv-mark")).to_have_count(rows.count())
    one.tools()
    expect(one.page.locator(".gv-forms svg")).to_have_count(2)
    assert one.page.locator(".gv").evaluate(OVERLAPS) == [], "no word of a plot lies on another or is cut off"
    # a station chosen in the profile is marked in the photo, and read out
    box = one.page.locator(".gv-chart").bounding_box()
    one.page.locator(".gv-chart").click(position={"x": box["width"] * 0.5, "y": box["height"] * 0.5})
    expect(one.page.locator(".gv-read")).to_have_text(re.compile(r"Station 1\d\d mm: gap \d\.\d\d mm \(.* in\), U \d"))
    assert one.page.locator(".gv-chosen").count() == 1
    # two points tapped along the seam
    one.page.get_by_role("button", name="Tap the seam").tap()
    box = one.page.locator(".gv-photo").bounding_box()
    edge = one.page.locator(".gv-overlay polyline").first.get_attribute("points").split()
    for place in (edge[len(edge) // 6], edge[-len(edge) // 6]):
        x, y = (float(v) for v in place.split(","))
        one.page.touchscreen.tap(box["x"] + x, box["y"] + y)
    expect(one.page.locator(".gv-help")).to_contain_text("2 tapped")
    shots(one, "tapped_phone")
    one.page.get_by_role("button", name="Measure along these points").tap()
    one.page.get_by_text("Measured along the points you tapped.").wait_for(timeout=20000)
    one.measured()
    # save into a new job, twice at two stages, and compare
    for stage in ("as found", "after fit-up"):
        one.unfold("Save to a job")
        if stage == "as found":
            one.page.get_by_label("Customer").fill("R. Example")
            one.page.get_by_label("Name of the seam").fill("door, rear")
        else:
            expect(one.page.get_by_role("combobox", name="Job", exact=True)).to_have_value(re.compile(r"20\d\d-001"))
            expect(one.page.get_by_role("combobox", name="Seam", exact=True)).to_have_value("door, rear")
            choose(one, "Stage", 1)
            one.page.get_by_text("The same photo is kept for stage 'as found'.").wait_for()
            one.page.get_by_text("Save it all the same: it is right").click()
        one.page.get_by_text("Latched").click()
        one.settled()
        shots(one, f"save_{stage.replace(' ', '_')}_phone")
        one.page.get_by_role("button", name="Save", exact=True).click()
        one.page.get_by_text(re.compile("Saved as measurement")).wait_for(timeout=20000)
        one.settled()
    one.view("Jobs")
    one.page.get_by_text("door, rear").first.wait_for()
    one.measured()
    one.page.get_by_text(re.compile("Mean change")).wait_for()
    shots(one, "jobs_phone")
    one.view("Decide")
    one.measured()
    shots(one, "decide_phone")
    one.view("Measure")
    one.measured()
    one.unfold("Download")
    with one.page.expect_download() as taken:
        one.page.get_by_role("button", name="JSON").click()
    taken.value.save_as(tmp_path / "m.json")
    content = json.loads(Path(tmp_path / "m.json").read_text())
    assert content["schema"] == "gapvision-measurement/2"
    assert content["stations"]
    one.fine()


def draw_sideways(one, start, stop):
    """Draw with a finger over the plot, from one share of its width to another."""
    chart = one.page.locator(".gv-chart")
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    y = box["y"] + 0.5 * box["height"]
    touch = one.context.new_cdp_session(one.page)
    places = [box["x"] + box["width"] * (start + (stop - start) * k / 8) for k in range(9)]
    for k, x in enumerate(places):
        kind = "touchMove" if k else "touchStart"
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_a_span_left_out_with_a_finger_goes_into_the_record(server, visit, shots):
    one = visit(server.url)
    one.measured()
    upload(one, SAMPLE)
    one.page.get_by_text(SAMPLE.name).first.wait_for()
    one.measured()
    one.settled()
    one.tools()
    one.page.get_by_role("button", name="Leave a span out").tap()
    draw_sideways(one, 0.4, 0.6)
    one.page.get_by_role("button", name="End one station later").tap()
    said = one.page.locator(".gv-span").inner_text()
    start, stop = (int(n) for n in re.search(r"station (\d+) to (\d+) mm", said).groups())
    assert 20 < stop - start < 120
    go = one.page.locator(".gv-go")
    assert go.is_disabled(), "not without a reason"
    one.page.get_by_role("button", name="handle or lock").tap()
    shots(one, "leave_out_phone")
    go.tap()
    one.page.get_by_text(f"{start} to {stop} mm: handle or lock").wait_for()
    one.measured()
    expect(one.page.locator(".gv-chart")).to_contain_text("left out")
    one.unfold("Save to a job")
    one.page.get_by_label("Customer").fill("R. Example")
    one.page.get_by_label("Name of the seam").fill("bonnet, left")
    one.page.get_by_label("Name of the seam").press("Tab")
    one.settled()
    one.page.get_by_role("button", name="Save", exact=True).click()
    said = one.page.get_by_text(re.compile("Saved as measurement"))
    said.wait_for(timeout=20000)
    number = int(re.search(r"measurement (\d+)", said.inner_text())[1])
    with Store(server.data) as store:
        content = store.measurement(number)
    (span,) = content["settings"]["left_out"]
    assert (span["from_mm"], span["to_mm"], span["reason"]) == (start, stop, "handle or lock")
    assert not [s for s in content["stations"] if start <= s["s_mm"] <= stop]
    one.view("Jobs")
    one.measured()
    expect(one.page.locator(".gv-chart")).to_contain_text("left out")
    one.fine()


def choose(one, label, index):
    """Choose an entry of a select box by its place in the list."""
    box = one.page.get_by_role("combobox", name=re.compile(f"^{label}")).last
    one.page.get_by_test_id("stSelectbox").filter(has=box).get_by_role("button").first.tap()
    one.page.get_by_role("option").nth(index).tap()
    one.page.get_by_role("option").first.wait_for(state="detached")
    one.settled()
