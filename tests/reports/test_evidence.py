# ruff: noqa: E501
"""The evidence report as a reader sees it: nothing cut off, nothing on top of something else, nothing private in it."""

import io
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from gapvision.formats.measurement_json import from_dict
from gapvision.judgement import compare, judge_measurement, simple_spec
from gapvision.model import Span
from gapvision.reports import evidence as ev
from gapvision.reports.crops import Stretch, cut_seam
from gapvision.reports.evidence_style import fonts, shrink_to_fit
from gapvision.reports.overlay import draw_crop, overlay_bytes
from gapvision.reports.profile_picture import ticks
from tests.records.invented import invented

LONG = "Überholungswerkstätte für historische Karosserien Αθανάσιος Παπαδημητρακόπουλος и Сыновья, Zażółć-Gęślą-Jaźń "
UNBROKEN = "ununterbrochenesmonstrumeinesbauteilnamensohneleerzeichen" * 3


def photo_with_place():
    """A JPEG with a GPS position in its EXIF."""
    picture = Image.new("RGB", (400, 300), (120, 60, 50))
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (48.0, 30.0, 15.0), 3: "E", 4: (9.0, 3.0, 21.0)}
    exif[0x010F] = "SECRETMAKER"
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif)
    return out.getvalue()


PHOTO = photo_with_place()


def shown(mean, stage, number, decision=None, photo=PHOTO):
    measurement, verdict = from_dict(invented(mean)), None
    if decision:
        spans = [
            Span(state=decision, from_mm=10.0 + 9 * k, to_mm=15.0 + 9 * k, worst_mm=mean + 0.8, worst_at_mm=12.0 + 9 * k,
                 worst_u_mm=0.1, excess_mm=0.3, side="wide")
            for k in range(10)
        ]  # fmt: skip
        verdict = replace(judge_measurement(measurement, simple_spec(4.8, 0.3, 0.2)), state=decision, spans=tuple(spans))
    return ev.ShownResult(
        number=number, stage=stage, on_date="2026-03-02", who="Żaneta", measurement=measurement, photo=photo,
        file_name=f"{number}.jpg", sha256=f"{number:064x}", verdict=verdict,
        conditions=(("latched", "yes"), ("car stood", "on its wheels"), ("metal", "9 °C")),
    )  # fmt: skip


def seam(name, number, both=True, decision="out of tolerance"):
    before, after = (
        shown(5.6, "as found", 2 * number, "out of tolerance"),
        shown(4.8, "after fit-up", 2 * number + 1, decision),
    )
    one, two = before.profile, after.profile
    datum = compare.Datum(kind="mark", shift_mm=0.0, std_u_mm=1.0)
    return ev.SeamEvidence(
        name=name, after=after, before=before if both else None,
        comparison=compare.compare_profiles(one, two, datum, nominal_mm=4.8) if both else None,
        remarks=("The conditions differ: latched: yes before, no after. Repeat one of the two.",),
    )  # fmt: skip


def document(n, paper="a4", units="mm", long=False):
    name = (LONG + UNBROKEN) if long else "left door, rear edge"
    return ev.Evidence(
        head=ev.Head(name=LONG * 2 if long else "Old Ferry", address=LONG, contact=UNBROKEN, paper=paper, units=units),
        reference=UNBROKEN[:120] if long else "17", customer=LONG if long else "Zoë", car=name, made_on="2026-03-05",
        scope="all visits", seams=tuple(seam(f"{name} {k}", k, both=k % 2 == 0) for k in range(n)),
        not_measured={name: ""}, notes=(LONG * 3, "<b>not & bold</b>"),
        plans=(ev.PlanEvidence(panel=name, sentences=("Move the panel.",), heads=("From", "To", UNBROKEN if long else "Remove"),
                               rows=(("0 mm", "25 mm", "0.4 mm"),) * 40),),
        photos=tuple(ev.PhotoEntry(seam=name, stage="as found", file_name=name, sha256=f"{k:064x}") for k in range(2 * n)),
        program="gapvision 0.1.0", methods=(1, 2),
    )  # fmt: skip


def text_lines(page):
    """Boxes of the words on a page as the reader's program finds them: (left, bottom, right, top, text)."""
    text = page.get_textpage()
    boxes = []
    for k in range(text.count_rects()):
        left, bottom, right, top = text.get_rect(k)
        words = text.get_text_bounded(left, bottom, right, top)
        if words.strip():
            boxes.append((left, bottom, right, top, words))
    return boxes


def overlaps(boxes):
    """Pairs of boxes that share more than a fifth of the smaller one's height and some width."""
    found = []
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            wide = min(a[2], b[2]) - max(a[0], b[0])
            high = min(a[3], b[3]) - max(a[1], b[1])
            if wide > 1.5 and high > 0.3 * min(a[3] - a[1], b[3] - b[1]):
                found.append((a[4], b[4]))
    return found


@pytest.mark.parametrize(
    ("n", "paper", "units", "long"),
    [
        (1, "a4", "mm", False),
        (1, "letter", "inch", True),
        pytest.param(12, "a4", "inch", False, marks=pytest.mark.slow),
        pytest.param(12, "letter", "mm", True, marks=pytest.mark.slow),
    ],
)
def test_no_text_is_cut_off_or_overlaps(n, paper, units, long):
    pdf = pypdfium2.PdfDocument(ev.write_evidence(document(n, paper, units, long)))
    assert pdf[0].get_size() == pytest.approx({"a4": (595.28, 841.89), "letter": (612, 792)}[paper], abs=0.1)
    everything = ""
    for page in pdf:
        width, height = page.get_size()
        boxes = text_lines(page)
        for left, bottom, right, top, words in boxes:
            assert 40 < left < right < width - 40, words
            assert 20 < bottom < top < height - 15, words
        assert overlaps(boxes) == []
        everything += page.get_textpage().get_text_range()
    for k in range(n):
        assert f"{2 * k + 1:064x}"[:32] in everything.replace("\r\n", "")
    for words in (
        "Worst places",
        "Verdict",
        "Change",
        "Cautions",
        "Signed",
        "Measured by",
        "method version: 1, 2",
        "Print scale of the strips: check lines not measured.",
        "To know",
    ):
        assert words in everything.replace("\r\n", " ")
    assert "Αθανάσιος" in everything
    assert "Сыновья" in everything
    assert "<b>not & bold</b>" in everything
    assert "\ufffe" not in everything


def test_the_overlap_check_sees_an_overlap():
    from reportlab.pdfgen.canvas import Canvas

    out = io.BytesIO()
    canvas = Canvas(out)
    canvas.drawString(100, 500, "one line of text")
    canvas.drawString(130, 504, "another on top of it")
    canvas.save()
    assert overlaps(text_lines(pypdfium2.PdfDocument(out.getvalue())[0]))


def test_every_glyph_is_drawn():
    """Latin with accents, Greek and Cyrillic are in the font: no missing-glyph boxes."""
    from reportlab.pdfbase import pdfmetrics

    for name in fonts():
        widths = pdfmetrics.getFont(name).face.charToGlyph
        missing = {c for c in LONG + "ÅÄÖåäößŠšČčŽžŐőŰűĞğİıŁłΩωЩщЪъЄє–…±°" if c != " " and ord(c) not in widths}
        assert missing == set()


def test_no_location_or_maker_gets_out():
    assert b"Exif" in PHOTO
    assert b"SECRETMAKER" in PHOTO
    pdf = ev.write_evidence(document(1))
    assert b"SECRETMAKER" not in pdf
    pictures = [o for page in pypdfium2.PdfDocument(pdf) for o in page.get_objects() if o.type == 3]
    assert len(pictures) == 4  # before and after, whole and cut out
    for picture in pictures:
        jpeg = bytes(picture.get_data(decode_simple=True))
        assert jpeg.startswith(b"\xff\xd8")
        assert b"Exif" not in jpeg
        assert b"SECRETMAKER" not in jpeg
    crop = cut_seam(Stretch(photo=PHOTO, measurement=from_dict(invented(4.8)), from_mm=10, to_mm=100), rectified=False)
    drawn = overlay_bytes(draw_crop(crop), "JPEG")
    assert Image.open(io.BytesIO(drawn)).getexif() == {}
    assert b"SECRETMAKER" not in drawn


@pytest.mark.slow
def test_photos_are_rectified_where_their_strips_can_be_read_again(measured_sample):
    photo, measurement = measured_sample("open03_door_arc.jpg")
    one = seam("sill", 1)
    real = replace(one.after, photo=photo, measurement=measurement, verdict=None)
    for seams, words in (
        ((replace(one, before=None, comparison=None, after=real),), "one scale along the seam and across it"),
        ((one,), "Level, not rectified"),
    ):
        pdf = pypdfium2.PdfDocument(ev.write_evidence(replace(document(0), seams=seams)))
        assert words in " ".join(page.get_textpage().get_text_range() for page in pdf)


@pytest.mark.slow
def test_shop_head_with_logo_and_without():
    out = io.BytesIO()
    Image.new("RGBA", (60, 30), (200, 30, 30, 128)).save(out, "PNG")
    plain = document(1)
    with_logo = replace(plain, head=replace(plain.head, logo=out.getvalue()))
    pdf = pypdfium2.PdfDocument(ev.write_evidence(with_logo))
    images = [o for o in pdf[0].get_objects() if o.type == 3]
    assert len(images) == 1
    assert pypdfium2.PdfDocument(ev.write_evidence(plain)).get_metadata_dict()["Author"] == "Old Ferry"


def test_a_seam_without_photo_verdict_or_band():
    one = seam("sill", 1, both=False)
    bare = replace(one, after=shown(5.0, "as found", 1, None, photo=None))
    pdf = pypdfium2.PdfDocument(ev.write_evidence(replace(document(0), seams=(bare,))))
    text = " ".join(p.get_textpage().get_text_range() for p in pdf)
    assert "not judged: no specification was given for this seam." in text


@pytest.mark.slow
def test_endless_words_and_a_very_short_or_curved_seam_fit_the_page():
    endless = "word " * 5000
    one = seam("sill", 1, both=False)
    after = replace(one.after, conditions=(("remarks", endless),), file_name=endless, verdict=None)

    def with_profile(profile):
        return replace(after, measurement=replace(after.measurement, profile=profile))

    p = after.profile
    first = with_profile(p.picked(slice(0, 20)))
    short = replace(one, name="short", after=first)
    lower = np.stack([0 * p.s_mm, 0.012 * p.s_mm**2], 1)
    bent = with_profile(replace(p, edge_a_px=p.edge_a_px + lower, edge_b_px=p.edge_b_px + lower))
    curved = replace(short, name="curved", after=bent)
    pdf = pypdfium2.PdfDocument(ev.write_evidence(replace(document(0), seams=(short, curved), notes=(endless,))))
    for page in pdf:
        width, height = page.get_size()
        for left, bottom, right, top, words in text_lines(page):
            assert 40 < left < right < width - 40, words
            assert 20 < bottom < top < height - 15, words
        for item in page.get_objects():
            if item.type == 3:
                assert item.get_bounds()[3] - item.get_bounds()[1] < 85 / 25.4 * 72 + 1


def marked_photo(angle_deg):
    """A photo whose seam is a dark line between two dots at known places, turned."""
    import math

    picture = np.full((600, 800, 3), 200, np.uint8)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))

    def place(along, across):
        return 400 + 4 * (c * along - s * across), 300 + 4 * (s * along + c * across)

    for along, across, colour in ((-40, -8, (255, 0, 0)), (40, 8, (0, 0, 255))):
        x, y = (round(v) for v in place(along, across))
        picture[y - 4 : y + 5, x - 4 : x + 5] = colour
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    content = invented(4.0, n=101)
    content["photo"] |= {"width_px": 800, "height_px": 600}
    for k, station in enumerate(content["stations"]):
        station |= {"edge_a_px": place(k - 50, -2), "edge_b_px": place(k - 50, 2)}
    return out.getvalue(), from_dict(content)


@pytest.mark.parametrize("angle", [0, 30, 90, -120])
def test_crop_shows_the_same_stretch_level_whatever_the_photos_angle(angle):
    photo, measurement = marked_photo(angle)
    wanted = Stretch(photo=photo, measurement=measurement, from_mm=0, to_mm=100)
    crop = cut_seam(wanted, rectified=False, width_px=520, height_mm=40)
    pixels = crop.pixels.astype(int)
    mm = 100 * 1.04 / 520
    for along, across, channel in ((-40, -8, 0), (40, 8, 2)):
        others = [k for k in range(3) if k != channel]
        y, x = np.nonzero((pixels[..., channel] > 150) & (pixels[..., others].max(-1) < 110))
        want = (519 / 2 + along / mm, (len(pixels) - 1) / 2 + across / mm)
        assert (x.mean(), y.mean()) == pytest.approx(want, abs=1.5)
    level = np.ptp(crop.edge_a_px[:, 1])
    assert level < 0.01
    steps = np.diff(crop.edge_a_px[:, 0])
    assert (steps > 0).all()


@pytest.mark.parametrize(("span", "most", "step"), [(10, 5, 2), (9.9, 10, 1), (0.7, 6, 0.2), (253, 8, 50)])
def test_axis_steps(span, most, step):
    first, second, *_ = ticks(0, span, most, "mm", 0.001)
    assert second[0] - first[0] == pytest.approx(step)


def test_a_line_too_long_gets_smaller_then_dots():
    fonts()
    assert shrink_to_fit("short", "Evidence", 12, 200) == ("short", 12)
    text, size = shrink_to_fit(UNBROKEN, "Evidence", 12, 200)
    assert size == 6
    assert text.endswith("…")
