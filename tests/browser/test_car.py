"""The car first: a tap to a seam, its photo saved by itself and taken back; the browser's way back; no stale answer."""

import re
from datetime import date

import pypdfium2
import pytest
from playwright.sync_api import expect

from gapvision.records import Store
from tests.browser._help import DESK, PHONE, ROOT

SAMPLE = ROOT / "sample_images" / "backlit_bonnet_gap.jpg"


def on_first_screen(one, *parts):
    """Each part is seen whole without scrolling."""
    height = one.page.viewport_size["height"]
    for part in parts:
        box = one.page.locator(part).first.bounding_box()
        assert 0 <= box["y"], part
        assert box["y"] + box["height"] <= height, part


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_from_the_car_to_a_seam_and_back(shop, visit, shots, size):
    where = "phone" if size is PHONE else "desk"
    one = visit(shop.url, size)
    said = re.compile(r"boot lid, rear out of tolerance, worst 3\.3\d mm, U 0\.1\d mm")
    worst = one.page.get_by_role("button", name=said)
    worst.wait_for()
    one.settled()
    expect(one.page.locator(".gv-verdict")).to_contain_text("1 of 4 seams out of tolerance")
    on_first_screen(one, ".gv-verdict", ".car")
    shots(one, f"car_{where}")
    worst.click()
    one.measured()
    one.settled()
    expect(one.page.locator(".gv-verdict")).to_contain_text("Out of tolerance")
    limits = re.compile(r"Worst: 3\.3\d mm .* U 0\.1\d mm .* Limits 4\.17 to 5\.36 mm .*: 0\.8\d mm too tight")
    expect(one.page.locator(".gv-verdict")).to_contain_text(limits)
    on_first_screen(one, ".gv-verdict", ".gv-photo", ".gv-chart", ".st-key-to_decide")
    mark, line = (one.page.locator(f".gv-chart {part}").first.bounding_box() for part in (".gv-mark", ".gv-line"))
    assert mark["y"] > line["y"] + line["height"], "among the gaps it looks like a zone of gaps"
    shots(one, f"seam_{where}")
    one.page.get_by_role("button", name="What to do about it").click()
    one.page.locator(".gv-card", has_text="shank must enter").wait_for()
    said, card = (one.page.locator(part).bounding_box() for part in (".st-key-about_box p", ".gv-card"))
    assert said["y"] + said["height"] <= card["y"], "the card lies over what the answer is about"
    on_first_screen(one, ".gv-card", ".gv-verdict", ".gv-photo", ".gv-chart")
    one.settled()
    shots(one, f"card_{where}")
    one.page.get_by_text("panel B's edge", exact=True).click()
    edge = "Edge of panel B: open the fold and fold it anew from 0 to 253 mm"
    one.page.locator(".gv-card", has_text=edge).wait_for()
    one.page.locator(".gv-verdict", has_text="As it would stand after this work").wait_for()
    bar, photo = (one.page.locator(part).first.bounding_box() for part in (".gv-over", ".gv-photo"))
    assert bar["y"] + bar["height"] <= photo["y"] + photo["height"], "buttons hang out of the photo"
    with one.page.expect_download() as given:
        one.page.get_by_role("button", name="Template, A4").click()
    assert given.value.path().read_bytes().startswith(b"%PDF-")
    with one.page.expect_download() as given:
        one.page.get_by_role("button", name="Work card, PDF").click()
    with pypdfium2.PdfDocument(given.value.path()) as pdf:
        paper = " ".join(pdf[0].get_textpage().get_text_range().split())
    assert edge in paper
    assert "(DEMO-1, two-seat roadster, steel body, red oxide primer, bare shell" in paper
    assert f"card of {date.today().isoformat()})" in paper
    one.settled()
    shots(one, f"card_edge_{where}")
    one.page.go_back()
    one.page.get_by_role("heading", name="boot lid, rear", level=1).wait_for()
    one.measured()
    one.fine()


def test_a_photo_of_a_seam_is_saved_by_itself_and_taken_back(shop, visit, shots):
    one = visit(shop.url, PHONE)
    one.page.get_by_role("button", name=re.compile("right door, rear edge")).click()
    one.measured()
    one.settled()
    with Store(shop.data) as store:
        before = len(store.job_lines(store.job("DEMO-1").job_id))
    data = SAMPLE.read_bytes() + b"by itself"
    one.page.set_input_files("input[type=file]", {"name": "own.jpg", "mimeType": "image/jpeg", "buffer": data})
    one.page.get_by_text("Saved by itself").wait_for()
    one.settled()
    on_first_screen(one, ".gv-verdict", ".gv-photo")
    shots(one, "saved_phone")
    with Store(shop.data) as store:
        assert len(store.job_lines(store.job("DEMO-1").job_id)) == before + 1
    one.page.get_by_role("button", name="Undo", exact=True).last.click()
    one.page.get_by_text("Not kept: taken back.").wait_for()
    with Store(shop.data) as store:
        assert len(store.job_lines(store.job("DEMO-1").job_id)) == before
    one.fine()


def test_an_answer_is_greyed_when_the_connection_is_gone(tmp_path_factory, visit):
    from tests.browser._help import start_server

    alone = start_server(tmp_path_factory.mktemp("cut"))
    one = visit(alone.url, PHONE)
    one.measured()
    one.settled()
    told = one.page.locator(".gv-stale")
    assert told.evaluate("e => getComputedStyle(e).visibility") == "hidden"
    alone.process.terminate()
    alone.process.wait(10)
    one.page.wait_for_function("getComputedStyle(document.querySelector('.gv-stale')).visibility === 'visible'")
    assert "Not connected" in told.evaluate("e => getComputedStyle(e, '::after').content")
    verdict = one.page.locator(".gv-verdict").first
    one.page.wait_for_function("getComputedStyle(document.querySelector('.gv-verdict')).opacity < 0.6")
    assert "grayscale" in verdict.evaluate("e => getComputedStyle(e).filter")


def test_the_first_load_is_light(server, visit):
    one = visit("about:blank")
    sizes = []
    one.page.on("response", lambda r: sizes.append((r.url, int(r.headers.get("content-length") or 0))))
    one.page.goto(server.url)
    one.measured()
    one.settled()
    assert sum(size for url, size in sizes if "/photo/" not in url) < 1_500_000, "3.3 MB before it was squeezed"


def test_three_photos_of_a_seam_are_one_result(shop, visit, shots):
    """Given at once on the seam's page: measured together, saved as one, a photo seen, taken out, moved away."""
    from gapvision.samples import FOLDER

    files = [FOLDER / f"rear_boot_lid_1{more}.jpg" for more in ("", "_lean1", "_lean2")]
    given = [
        {"name": f"{k}.jpg", "mimeType": "image/jpeg", "buffer": f.read_bytes() + b"s"} for k, f in enumerate(files)
    ]  # fmt: skip
    one = visit(shop.url, PHONE)
    one.page.get_by_role("button", name=re.compile("left bonnet, side")).click()
    one.measured()
    one.settled()
    one.page.set_input_files("input[type=file]", given)
    one.page.get_by_text("Saved by itself: 3 photos as one result").wait_for(timeout=120000)
    one.settled()
    expect(one.page.locator(".gv-verdict")).to_contain_text("3 photos together")
    on_first_screen(one, ".gv-verdict", ".gv-photo", ".gv-chart", ".st-key-to_decide")
    frame = one.page.locator(".strip fieldset.current")
    expect(frame).to_contain_text("Measured together: 3 photos")
    assert frame.locator(".look", has_text="+").count() == 3
    shots(one, "set_phone")
    small = "e => [...e.querySelectorAll('button, select')].filter(x => x.getBoundingClientRect().height < 44).length"
    assert one.page.locator(".strip").evaluate(small) == 0
    one.page.get_by_role("button", name="2.jpg counts").click()
    one.page.locator(".gv-photo[aria-label*='2.jpg']").wait_for()
    one.page.get_by_role("button", name="Take 2.jpg out").click()
    one.page.get_by_text("Saved by itself: 2 photos as one result").wait_for(timeout=120000)
    one.settled()
    one.page.get_by_label("Move 1.jpg", exact=True).select_option("alone")
    one.page.locator(".gv-photo[aria-label*='1.jpg']").wait_for()
    one.settled()
    with Store(shop.data) as store:
        job = store.job("DEMO-1")
        seam = next(s for s in store.seams(job.job_id) if s.name == "bonnet, side")
        for _ in range(60):  # the photo that was moved is measured by itself first
            told = [[p.file_name for p in x.photos] for x in store.history(seam.seam_id)]
            if ["1.jpg"] in told:
                break
            one.page.wait_for_timeout(1000)
        assert all(names in told for names in (["0.jpg", "1.jpg", "2.jpg"], ["0.jpg", "1.jpg"], ["1.jpg"]))
        assert store.check() == []
    one.fine()


def test_a_photo_is_dragged_to_the_seam_that_it_shows(shop, visit):
    one = visit(shop.url, DESK)
    one.page.get_by_role("button", name=re.compile("left bonnet, side")).click()
    one.measured()
    one.settled()
    data = SAMPLE.read_bytes() + b"dragged"
    one.page.set_input_files("input[type=file]", {"name": "drag.jpg", "mimeType": "image/jpeg", "buffer": data})
    one.page.get_by_text("Saved by itself").wait_for()
    one.settled()
    photo = one.page.locator(".strip figure").first
    photo.scroll_into_view_if_needed()
    box = photo.bounding_box()
    one.page.mouse.move(box["x"] + 60, box["y"] + 40)
    one.page.mouse.down()
    one.page.mouse.move(box["x"] + 90, box["y"] + 45, steps=4)
    target = one.page.locator(".strip .elsewhere", has_text="right door, rear edge")
    target.wait_for()
    to = target.bounding_box()
    one.page.mouse.move(to["x"] + 30, to["y"] + 20, steps=4)
    one.page.mouse.up()
    one.page.locator(".strip figure", has_text="drag.jpg").wait_for(state="detached")
    one.settled()
    one.view("Car")
    one.page.get_by_role("button", name=re.compile("right door, rear edge")).click()
    one.page.get_by_text("Saved by itself").wait_for()
    one.page.locator(".strip figure", has_text="drag.jpg").wait_for()
    with Store(shop.data) as store:
        seams = {s.full_name: s.seam_id for s in store.seams(store.job("DEMO-1").job_id)}
        named = {name: [x.photo.file_name for x in store.history(seams[name])] for name in seams}
        assert "drag.jpg" in named["right door, rear edge"]
        assert "drag.jpg" not in named["left bonnet, side"], "what was saved there is taken back"
        store.delete("photo", store.history(seams["right door, rear edge"])[-1].shot_id)
    one.fine()


def test_the_car_says_what_to_do_next(shop, visit):
    one = visit(shop.url, PHONE)
    one.page.get_by_role("button", name="Next: what to do about boot lid, rear").click()
    one.page.locator(".gv-card", has_text="shank must enter").wait_for()
    on_first_screen(one, ".gv-card", ".gv-verdict", ".gv-photo", ".gv-chart")
    expect(one.page.locator(".gv-overlay")).to_contain_text("panel A")
    expect(one.page.locator(".gv-overlay")).to_contain_text("panel B")
    expect(one.page.locator(".gv-key")).to_contain_text("too tight")
    one.page.go_back()
    one.page.get_by_role("heading", name="Car", level=1).wait_for()
    one.fine()


def test_a_stored_set_shows_all_its_photos(shop, visit):
    one = visit(shop.url, PHONE)
    one.page.get_by_role("button", name=re.compile("boot lid, rear out of")).click()
    one.measured()
    looks = one.page.locator(".strip .look")
    expect(looks).to_have_count(3)
    looks.nth(2).click()
    one.page.locator(".gv-photo[aria-label*='lean2']").wait_for()
    one.settled()
    expect(looks.nth(2)).to_have_attribute("aria-pressed", "true")
    one.fine()
