"""A study of gauge pieces on a phone: read, photograph, what to take again, the answer, kept, cut off in between."""

import io
import re
from datetime import date
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from gapvision.formats.study_file import read_phones
from gapvision.lab.scenes import CameraSpec, EdgeSpec, SceneSpec, StripSpec, render_scene
from tests.browser._help import PHONE, start_server
from tests.browser.test_hard_cases import DEEP

TODAY = date.today().strftime("%Y:%m:%d 10:30:00")
SMALL = DEEP + """return deep('button, a, input, summary, [role=button]')
    .filter(e => e.getClientRects().length && !e.closest('[data-testid=stToolbar]') && e.type !== 'file')
    .filter(e => e.type !== 'checkbox' && (e.tabIndex >= 0 || e.tagName === 'BUTTON'))
    .map(e => [e.outerHTML.slice(0, 120), e.getBoundingClientRect()])
    .filter(([_, r]) => (r.height < 44 || r.width < 44) && r.width > 1 && r.height > 1).map(([h]) => h)
    .concat(deep('body *').filter(e => e.getClientRects().length && !e.closest('[data-testid=stIconMaterial]'))
    .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
    .filter(e => parseFloat(getComputedStyle(e).fontSize) < 14).map(e => e.textContent.slice(0, 40))); }"""


@pytest.fixture(scope="module")
def gauge_photo():
    """One photo of a piece of 4.76 mm; bytes behind its end make others of it, so that one rendering is enough."""
    camera = CameraSpec(width_px=1300, height_px=867, distance_mm=300, model="grey phone", taken_at=TODAY)
    edge = EdgeSpec(kind="cut", radius_mm=0.1)
    strips = (StripSpec(letter="A", t_mm=-42.0), StripSpec(letter="B", t_mm=42.0))
    return render_scene(
        SceneSpec(gap_mm=4.76, camera=camera, edge_a=edge, edge_b=edge, strips=strips), seed=1
    )[0]


def test_a_phone_is_proven_with_three_pieces(tmp_path, visit, shots, gauge_photo):
    alone = start_server(tmp_path)
    one = visit(f"{alone.url}/?view=Jobs", PHONE)
    try:
        one.page.get_by_role("button", name="Prove this phone with gauge pieces").click()
        one.page.get_by_role("heading", name="Prove", level=1).wait_for()
        one.settled()
        shots(one, "prove_start")
        with one.page.expect_download() as paper:
            one.page.get_by_role("button", name="Sheet to build by, PDF").click()
        assert Path(paper.value.path()).read_bytes().startswith(b"%PDF")
        typed = {"U of the calipers (k = 2)": "0.03mm"}
        typed |= {"200 mm line measures": "200mm", "150 mm line measures": "150mm"}
        for k, mm in enumerate(("4.75mm", "4.76mm", "4.77mm")):
            typed |= {f"Piece {k + 1}, {place}": mm for place in ("one end", "middle", "other end")}
        for label, text in typed.items():
            one.page.get_by_label(label, exact=True).fill(text)
            one.page.keyboard.press("Enter")
        one.settled()
        told = one.page.locator(".gv-verdict")
        expect(told).to_contain_text("0 of 15 photos are there; missing: 5 of piece 1 (4.75mm)")
        # The phone's camera goes by a plain form, which a cut connection cannot hurt; then back.
        one.page.get_by_role("link", name="Photograph piece 1 (4.75mm)").click()
        one.page.get_by_text("Photos of the gauge piece that was chosen").wait_for()
        blank = io.BytesIO()
        exif = Image.open(io.BytesIO(gauge_photo)).getexif()
        Image.new("RGB", (1300, 867), "white").save(blank, "JPEG", exif=exif)
        files = [(f"a{k}.jpg", gauge_photo + bytes([k])) for k in range(5)] + [("blank.jpg", blank.getvalue())]
        one.page.set_input_files("input[type=file]", [
            {"name": name, "mimeType": "image/jpeg", "buffer": data} for name, data in files
        ])  # fmt: skip
        one.page.get_by_text(re.compile("blank.jpg: kept")).wait_for(timeout=60000)
        one.page.get_by_role("link", name="Back to the study").click()
        expect(told).to_contain_text("5 of 15 photos are there; missing: 5 of piece 2 (4.76mm)", timeout=60000)
        expect(one.page.get_by_text("Take it again. blank.jpg of 'piece 1 (4.75mm)' was refused")).to_be_visible()
        one.settled()
        shots(one, "prove_missing")
        assert one.page.evaluate(SMALL) == []
        assert one.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 390
        one.page.get_by_role("button", name="Remove blank.jpg").click()
        expect(one.page.get_by_text("Take it again.")).to_have_count(0)
        one.page.reload()
        expect(told).to_contain_text("5 of 15 photos are there", timeout=60000)
        for n, name in ((1, "piece 2 (4.76mm)"), (2, "piece 3 (4.77mm)")):
            one.page.get_by_label("Piece in front of the phone").click()
            one.page.get_by_role("option", name=name).click()
            one.settled()
            one.page.set_input_files("input[type=file]", [
                {"name": f"{n}{k}.jpg", "mimeType": "image/jpeg", "buffer": gauge_photo + bytes([n, k])}
                for k in range(5)
            ])  # fmt: skip
            one.page.get_by_text(re.compile(f"{5 * n + 5} of 15 photos are there")).first.wait_for(timeout=60000)
            one.settled()
        expect(told).to_contain_text(re.compile(r"On this phone, in this light: bias .* repeatability 0.00 mm"))
        expect(told).to_contain_text("within U 15 of 15")
        shots(one, "prove_done")
        one.page.get_by_role("button", name="Keep for this phone").click()
        one.page.get_by_text("Kept: 'own phone' counts in U").wait_for()
        (kept,) = read_phones(alone.data)
        assert (kept.phone.camera, kept.photos) == ("grey phone", 15)
        one.page.emulate_media(color_scheme="dark")
        one.settled()
        shots(one, "prove_dark")
        one.fine()
    finally:
        alone.process.terminate()
        alone.process.wait(10)
