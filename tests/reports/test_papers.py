"""The three papers: what stands on the first page, two pages for a customer, inches throughout, names in any script."""

import hashlib
import io
import re
import unicodedata
import zipfile
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.judgement_json import forecast_to_dict
from gapvision.formats.measurement_json import from_dict
from gapvision.judgement import after_paint, judge_measurement, simple_spec
from gapvision.model import Coat, FinishPlan, Notice
from gapvision.records import NewPhoto, Store
from gapvision.reports import evidence as ev
from gapvision.reports import glyphs
from gapvision.reports.evidence_style import fonts
from gapvision.reports.overlay import draw_overlay
from gapvision.words import MM, Lengths
from gapvision.workshop import evidence_report, export_job, judge_line
from tests.records.invented import invented, invented_set
from tests.reports._examples import measured
from tests.reports.test_evidence import PHOTO, document, overlaps, shown, text_lines

INCH = Lengths("in")
COATS = FinishPlan(
    coats=(Coat(kind="epoxy primer", stage=1, coats=2, film_um=(25, 40), stays=(0.6, 1.0)),), smallest_gap_mm=4.7
)


def read(pdf):
    """The words of each page, each after checking that they lie inside the page and not on each other."""
    told = []
    for page in pypdfium2.PdfDocument(pdf):
        width, height = page.get_size()
        boxes = text_lines(page)
        for left, bottom, right, top, said in boxes:
            assert 40 < left < right < width - 40, said
            assert 20 < bottom < top < height - 15, said
        assert overlaps(boxes) == []
        told.append(" ".join(page.get_textpage().get_text_range().split()))
    return told


def painted(n=1, **how):
    """A document whose seams have a forecast after paint."""
    whole = document(n, **how)
    spec, seams = simple_spec(4.8, 0.3, 0.3), []
    for seam in whole.seams:
        verdict = judge_measurement(seam.after.measurement, spec)
        after = replace(seam.after, verdict=verdict)
        seams.append(replace(seam, after=after, forecast=forecast_to_dict(after_paint(verdict, spec, COATS))))
    plan = ev.PlanEvidence(panel="door", sentences=("Move the door back by 1.27 mm.",))
    return replace(whole, seams=tuple(seams), finish=COATS, plans=(plan,))


@pytest.mark.parametrize(
    ("n", "paper", "units", "long"),
    [(1, "a4", "mm", False), (2, "letter", "inch", True),
     pytest.param(12, "letter", "mm", True, marks=pytest.mark.slow),
     pytest.param(12, "a4", "inch", False, marks=pytest.mark.slow)],
)  # fmt: skip
def test_a_customer_gets_two_pages(n, paper, units, long):
    first, second = read(ev.write_evidence(document(n, paper, units, long), reader="customer"))
    assert "How the panels fit" in first
    assert "Is the fit right? No: " in first
    assert "Right?" in first
    assert "page 1 of 2" in first
    assert "page 2 of 2" in second
    assert "Signed" in second
    assert words.CAUTIONS["fit-only"] in second


@pytest.mark.slow
def test_every_page_is_numbered_and_a_seam_that_goes_on_is_named():
    pages = read(ev.write_evidence(painted(2)))
    goes_on = 0
    for k, page in enumerate(pages, 1):
        assert f"page {k} of {len(pages)}" in page
        for number in (1, 2):
            name = f"{number}. left door, rear edge {number - 1}"
            if f"continued: {name}" in page:
                goes_on += 1
                assert f"{name} Before After" not in page, "it begins here"
                assert name in pages[k - 2]
    assert goes_on >= 2
    assert "continued" not in pages[0]
    assert "continued" not in pages[-1]


@pytest.mark.parametrize("reader", ev.READERS)
def test_an_inch_paper_tells_no_length_in_mm_alone(reader):
    """Millimetres stand in brackets behind inches, and beside the plot's second axis."""
    pages = read(ev.write_evidence(painted(1, units="inch"), reader=reader))
    for page in pages:
        bare = re.sub(r"\([^()]*\)|\[mm\]", "", page)
        assert re.search(r".{30}\bmm\b.{30}", bare) is None
    assert "0.050 in (1.27 mm)" in pages[-1] + pages[-2] or reader != "expert"


@pytest.mark.slow
def test_the_paint_shop_reads_film_gap_to_keep_and_edges_at_risk():
    told = " ".join(read(ev.write_evidence(painted(1), reader="paint-shop")))
    for said in ("epoxy primer", "25 to 40 micrometres", "60 to 100 %", "Gap to set before these coats", "at risk",
                 "limit", words.DATA_SHEET, words.CAUTIONS["two-pack"], words.CAUTIONS["lead"]):  # fmt: skip
        assert said in told, said
    whole = painted(1)
    (seam,) = whole.seams
    less = [{k: r[k] for k in ("s_mm", "gap_mm", "u_mm")} for r in seam.forecast["stations"]]
    odd = replace(seam, forecast=seam.forecast | {"stations": less, "chip_spans": [{"state": None}]})
    told = " ".join(read(ev.write_evidence(replace(whole, seams=(odd,)), reader="paint-shop")))
    assert "not told" in told
    assert "the places at risk cannot be read; take all of it for one." in told
    told = " ".join(read(ev.write_evidence(document(1), reader="paint-shop")))
    assert "No coats were stated for this job, so nobody knows what paint takes" in told
    assert "gapvision job judge 17 --finish" in told
    assert "Wanted gap (limits)" in told
    assert "4.80 mm (4.50 to 5.00 mm)" in told  # the wanted 4.8 mm, 0.3 below and 0.2 above
    assert "Gap to keep" not in told
    assert "Edges at risk" not in told
    told = " ".join(read(ev.write_evidence(replace(document(1), finish=COATS), reader="paint-shop")))
    assert "None of the results was judged with these coats yet" in told


@pytest.mark.slow
def test_the_day_and_the_u_of_what_is_told_stand_beside_it():
    """One seam measured once, one twice; U of 0.11 mm at the smallest gap, 0.23 mm at the largest, 0.1 mm elsewhere."""
    whole = document(2)
    one = whole.seams[0]
    p = one.after.profile
    u = np.full(len(p.s_mm), 0.1)
    u[[int(p.gap_mm.argmin()), int(p.gap_mm.argmax())]] = 0.11, 0.23
    m = replace(one.after.measurement, profile=replace(p, expanded_u_mm=u))
    after = replace(one.after, measurement=m, on_date="2026-03-17")
    whole = replace(whole, seams=(replace(one, after=after), *whole.seams[1:]))
    first = read(ev.write_evidence(whole, reader="customer"))[0]
    assert "U 0.11 and 0.23 mm (2026-03-17)" in first
    assert "measured once" in first
    assert "(2026-03-02) no, too wide" in first
    for reader in ("expert", "paint-shop"):
        assert "U 0.11 and 0.23 mm" in " ".join(read(ev.write_evidence(whole, reader=reader)))


@pytest.mark.parametrize("reader", ev.READERS)
@pytest.mark.slow
def test_an_invented_job_is_called_so_at_the_head_of_every_paper(reader):
    whole = document(1)
    assert words.INVENTED not in read(ev.write_evidence(whole, reader=reader))[0]
    invented_one = replace(whole, notes=(f"{words.INVENTED} The sills too.",))
    assert words.INVENTED in read(ev.write_evidence(invented_one, reader=reader))[0]


@pytest.mark.slow
def test_lengths_of_an_inch_paper_can_be_compared():
    """Gap, limits, gap to set and U all in thousandths: no 64ths beside them, which round each another way."""
    for reader in ("customer", "paint-shop"):
        told = " ".join(read(ev.write_evidence(painted(1, units="inch"), reader=reader)))
        assert "exactly" not in told
        assert re.search(r"\d/(16|32|64) in", told) is None


def test_the_paint_shop_is_told_which_panel_is_a_and_that_the_answer_is_of_now():
    told = " ".join(read(ev.write_evidence(painted(1), reader="paint-shop")))
    assert "Panel A lies " in told
    assert "That is the gap as it stands." in told
    assert "Panel A lies " in read(ev.write_evidence(document(1), reader="customer"))[1]


@pytest.mark.parametrize("reader", ev.READERS)
def test_the_first_page_tells_which_panel_is_a_and_what_counts_as_right(reader):
    whole = document(1)
    first = read(ev.write_evidence(whole, reader=reader))[0]
    assert words.WHICH_IS_A in first
    assert ("A seam counts as right only where" in first) == (reader != "expert"), "the rule in plain words"
    named = replace(whole.seams[0], panels={"A": "left door", "B": "quarter panel"})
    first = read(ev.write_evidence(replace(whole, seams=(named,)), reader=reader))[0]
    assert "A: left door; B: quarter panel" in first
    assert words.WHICH_IS_A not in first


def test_long_names_that_differ_at_their_end_stay_apart():
    names = [f"front wing to door, upper part behind the hinge post, number {k}" for k in range(12)]
    short = {ev._short(name) for name in names}
    assert len(short) == 12
    assert all(len(x) <= 50 for x in short)


def test_names_in_any_script_print():
    """Chinese, Japanese, Korean are drawn; emoji are told by their Unicode names; nothing is an empty box."""
    one = document(1)
    name = "李明 田中さん 김철수 🔧👍🏽 ᚠ"
    told = read(ev.write_evidence(replace(one, customer=name, head=replace(one.head, name=name))))[0]
    assert told.count("[wrench][thumbs up sign] [runic letter fehu feoh fe f]") == 2
    assert re.search("[李\ufffd\ufffe□]", told) is None
    font = fonts()[0]
    letters = [c for c in glyphs.tidy(name, font) if glyphs.drawn(c, font)]
    assert "".join(letters) == "李明田中さん김철수"
    inks = [glyphs._ink(c) for c in letters]
    assert all(0.03 < np.mean(x > 127) < 0.5 for x in inks)
    assert len({x.tobytes() for x in inks}) == len(letters)
    assert glyphs._ink("🔧") is None


@pytest.mark.slow
def test_hebrew_and_arabic_names_print_in_order_and_joined():
    """pdfium puts back what stands from right to left; Unicode's own tables name the forms that Arabic joins by."""
    whole = document(1)
    told = read(ev.write_evidence(replace(whole, customer="Sam محمد 17, שלום")))[0]
    assert "محمد" in told
    assert "שלום" in told
    assert glyphs.tidy("Sam שלום", fonts()[0]) == "Sam םולש"
    joined = glyphs.tidy("محمد", fonts()[0])
    assert [unicodedata.name(c).split()[-2] for c in joined] == ["FINAL", "MEDIAL", "MEDIAL", "INITIAL"]
    assert unicodedata.normalize("NFKC", joined[::-1]) == "محمد"


def judged(gap, *, doubtful=False):
    content = invented(gap)
    found = judge_measurement(from_dict(content), simple_spec(4.8, 0.5, 0.5))
    return replace(found, notices=(Notice(code="strip-lifted"),)) if doubtful else found


def test_is_the_fit_right():
    right, wrong = judged(4.8), judged(6.0)
    assert (right.state, wrong.state) == ("in tolerance", "out of tolerance")
    assert words.fit_answer([("door", right)]) == "Yes: door is in tolerance."
    assert words.fit_answer([("door", wrong)]) == "No: door is out of tolerance, too wide."
    assert words.fit_answer([("door", None)]) == "Not known: door was measured, but nobody stated what gap is wanted."
    told = words.fit_answer([("door", right), ("sill", wrong), ("roof", None)], ("flap",))
    assert told == (
        "No: 1 of 4 seams is in tolerance, 1 is out of tolerance (2. sill: too wide), 1 was measured without a wanted"
        " gap to judge by (3. roof), 1 was not measured."
    )
    assert words.fit_answer([("a", right), ("b", right)]) == "Yes: all 2 are in tolerance."
    assert words.fit_answer([("a", right)], ("b",)).startswith("Not known of all: 1 of 2 seams is in tolerance")
    tight, long = judged(3.0), "an edge with a name of more than thirty letters"
    assert words.fit_answer([("a", tight), ("b", right)]).endswith("1 is out of tolerance (1. a: too tight).")
    assert words.fit_answer([(long, tight), ("b", wrong)]).endswith("(numbers 1 too tight; 2 too wide).")
    both = replace(tight, spans=(*tight.spans, *wrong.spans))
    assert words.fit_answer([("a", both)]).endswith("too tight in one place, too wide in another.")
    warned = judged(4.8, doubtful=True)
    assert warned.doubtful
    assert words.fit_answer([("a", warned)]).startswith("Yes, if the photos can be trusted (see the warnings): ")


def test_which_seam_is_worst():
    """The one furthest beyond its limit, read off its own stations; of seams that are out before those not proven."""
    right, wide, tight = judged(4.8), judged(6.0), judged(3.0)
    assert words.worst_seam([("a", right), ("b", None)], MM) == ""
    told = words.worst_seam([("a", right), ("b", wide), ("c", tight)], MM)
    beyond = {"b": (wide.gap_mm - wide.upper_mm).max(), "c": (tight.lower_mm - tight.gap_mm).max()}
    name = max(beyond, key=beyond.get)
    assert told.startswith(f"Worst: {'abc'.index(name) + 1}. {name}, ")
    assert f"{beyond[name]:.2f} mm beyond the limit, U " in told
    assert "wanted gap" in told
    assert words.worst_seam([("b", wide)], MM).startswith("Worst: 6")  # of one seam the place alone
    assert " in (" in words.worst_seam([("b", wide)], INCH)
    for reader in ev.READERS:
        whole = painted(1)
        found = words.worst_seam([(s.name, s.after.verdict) for s in whole.seams], MM)
        assert found
        assert found in read(ev.write_evidence(whole, reader=reader))[0]


@pytest.mark.parametrize("turn", range(4))
def test_which_panel_is_a(turn):
    """Edge B lies below edge A in the invented photo, which is turned clockwise by quarter turns here (y runs down)."""
    sides = ("above", "to the right of", "below", "to the left of")
    m, turned = from_dict(invented()), np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), turn)
    p = replace(m.profile, edge_a_px=m.profile.edge_a_px @ turned.T, edge_b_px=m.profile.edge_b_px @ turned.T)
    told = words.sides(replace(m, profile=p))
    assert told.startswith(f"Panel A lies {sides[turn]} the gap")
    assert f"panel B {sides[(turn + 2) % 4]} it" in told
    assert told.endswith("Panel A is the one on whose side the strip with the lowest letter lies.")
    of_a_set = replace(p, photo=np.full(len(p.s_mm), 1))  # the first photo of a set may show none of the stations
    two = (m.photo, replace(m.photo, file="b.jpg", sha256="1" * 64))
    assert words.sides(replace(m, photos=two, profile=of_a_set)) == told
    named = words.sides(replace(m, profile=p), panels={"A": "left wing", "B": "bonnet"})
    assert named.startswith(f"Panel A, the left wing, lies {sides[turn]} the gap")
    assert named.endswith(f"panel B, the bonnet, {sides[(turn + 2) % 4]} it.")


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("Move by 1.27 mm.", "Move by 0.050 in (1.27 mm)."),
        ("from 0 to 25.4 mm", "from 0.000 to 1.000 in (0 to 25.4 mm)"),
        ("3/16 in (4.76 mm)", "3/16 in (4.76 mm)"),
        ("4.76 mm (3/16 in)", "4.76 mm (3/16 in)"),
        ("slope 1.5 mm per metre", "slope 1.5 mm per metre"),
        ("(exactly 4.17 to 5.36 mm)", "(exactly 4.17 to 5.36 mm)"),
    ],
)
def test_sentences_in_mm_become_inches(text, inches):
    assert words.as_inches(text) == inches


def test_each_photo_of_a_measurement_is_shown():
    one = document(1).seams[0]
    m = one.after.measurement
    second = replace(m.photo, file="b.jpg", sha256="1" * 64)
    half = (np.arange(len(m.profile.s_mm)) > 60).astype(int)
    both = replace(m, photos=(m.photo, second), profile=replace(m.profile, photo=half))
    after = replace(one.after, measurement=both, others=(PHOTO,), verdict=None)
    seam = replace(one, before=None, comparison=None, after=after)
    for reader, pictures in (("expert", 2), ("customer", 2), ("paint-shop", 2)):
        pdf = pypdfium2.PdfDocument(ev.write_evidence(replace(document(0), seams=(seam,)), reader=reader))
        assert len([o for page in pdf for o in page.get_objects(max_depth=5) if o.type == 3]) == pictures
    after = replace(after, measurement=replace(both, profile=replace(both.profile, photo=0 * half)))
    whole = replace(document(0), seams=(replace(seam, after=after),))
    told = " ".join(read(ev.write_evidence(whole, reader="customer")))
    assert "Photo 1 of 2." in told
    assert "Photo 2 of 2: the others show the edges better" in told


def sets_of_three(seams, seen=lambda profile: profile):
    """The document with so many seams, each measured once, from three photos; ``seen`` says which shows what."""
    found = []
    for one in document(seams).seams:
        m = one.after.measurement
        more = tuple(replace(m.photo, file=f"z{k}.jpg", sha256=f"{k}" * 64) for k in range(2))
        three = replace(m, photos=(m.photo, *more), profile=seen(m.profile))
        after = replace(one.after, measurement=three, others=(PHOTO, PHOTO))
        found.append(replace(one, before=None, comparison=None, after=after))
    return replace(document(0), seams=tuple(found))


def test_sets_of_photos_do_not_shrink_the_customers_second_page():
    """The customer signs at the right third of the page; a page too full gets smaller as a whole."""
    pdf = pypdfium2.PdfDocument(ev.write_evidence(sets_of_three(4), reader="customer"))
    (left,) = [box[0] for box in text_lines(pdf[1]) if box[4].strip() == "Customer"]
    assert left > 0.6 * pdf[1].get_width()
    assert len([o for o in pdf[1].get_objects(max_depth=5) if o.type == 3]) == 12


@pytest.mark.slow
def test_days_that_cannot_be_one_photo_twice_and_every_visit_are_told(tmp_path):
    out = io.BytesIO()
    Image.new("RGB", (400, 300)).save(out, "JPEG")
    spec = {"nominal": "4.8mm", "allow_below": "0.5mm", "allow_above": "0.5mm"}
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        seams = [store.add_seam(job.job_id, name, spec=spec) for name in ("door", "sill")]
        for k, day in enumerate(("2026-03-01", "2026-03-09", "2999-01-01")):
            visit = store.add_visit(job.job_id, f"stage {k}", on_date=day)
            for seam in seams[: 2 if k == 0 else 1]:
                photo = out.getvalue() + bytes([k])  # the first one twice
                judge_line(store, store.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", invented(4.8 + k / 3)))
        pages = read(evidence_report(store, job.job_id))
        customer = read(evidence_report(store, job.job_id, reader="customer"))
        chain = store.database.head().words
    for first in (pages[0], customer[0]):
        assert "The day 2999-01-01 has not come yet. (seam 1, stage 2)" in first
        assert "The day given is 2026-03-09, but the camera's clock says 2026-03-02. (seam 1, stage 1)" in first
        assert "One and the same photo is used for several results. (seam 1, stage 0 = seam 2, stage 0)" in first
        assert "Printed strips NOT checked" in first
    whole = " ".join(pages)
    listed = whole[whole.index("Every result of this seam") :]
    assert all(f"stage {k} " in listed for k in range(3))
    assert "2026-03-02 10:11" in listed
    assert chain in whole.replace(" ", "")


@pytest.mark.slow
def test_a_photo_of_a_set_that_is_gone_is_told_and_another_one_is_no_evidence(tmp_path):
    """The second photo's file is taken away, then replaced behind the program's back; the SHA-256 finds it."""
    data = {f"{k}.jpg": PHOTO + bytes([k]) for k in range(2)}
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        seam, visit = store.add_seam(job.job_id, "door"), store.add_visit(job.job_id, "as found", on_date="2026-03-02")
        content = invented_set({name: hashlib.sha256(x).hexdigest() for name, x in data.items()})
        new = [NewPhoto(data=x, suffix=".jpg", file_name=name) for name, x in data.items()]
        store.save_photos(seam.seam_id, visit.visit_id, new, content)
        (file,) = [x for x in (tmp_path / "photos").rglob("*.jpg") if x.read_bytes() == data["1.jpg"]]
        for reader in ev.READERS:
            assert "missing from the records" not in read(evidence_report(store, job.job_id, reader=reader))[0]
        file.unlink()
        for reader in ev.READERS:
            pages = read(evidence_report(store, job.job_id, reader=reader))
            assert "The photo 1.jpg is missing from the records. (door, as found)" in pages[0]
            assert "The photo cannot be shown. " in " ".join(pages)
        file.write_bytes(data["0.jpg"])
        for reader in ev.READERS:
            with pytest.raises(GapvisionError, match=r"as found, 1\.jpg: .* is not the one that was stored") as found:
                evidence_report(store, job.job_id, reader=reader)
            assert found.value.code == "stored-photo-changed"


@pytest.mark.slow
def test_a_refused_photo_is_told_and_no_older_result_passes_for_it(tmp_path):
    spec = {"nominal": "4.8mm", "allow_below": "0.5mm", "allow_above": "0.5mm"}
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        door, sill, roof = (store.add_seam(job.job_id, name, spec=spec) for name in ("door", "sill", "roof"))
        one = store.add_visit(job.job_id, "as found", on_date="2026-03-01")
        two = store.add_visit(job.job_id, "after fit-up", on_date="2026-03-02")
        saved = (door, one, "ok"), (door, two, "refused"), (sill, two, "refused"), (roof, two, "ok")
        for seam, visit, status in saved:
            photo = PHOTO + bytes([seam.seam_id, visit.visit_id])
            content = invented(4.8, status=status)
            judge_line(store, store.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", content, file_name="x.jpg"))
        for reader in ev.READERS:
            pages = read(evidence_report(store, job.job_id, reader=reader))
            assert "1 was not measured." in pages[0]
            assert "sill" in pages[0]
            assert "not measured: photo of 2026-03-02 refused: No strip." in pages[0]
            assert "The photo was refused: No strip. (seam 1, after fit-up)" in pages[0]
        store.add_note(job.job_id, "Hinge pins are new.", who="Sam")
        whole = " ".join(read(evidence_report(store, job.job_id)))
        assert whole.count("after fit-up, refused x.jpg") == 2
        assert f"Hinge pins are new. (Sam, {store.notes(job.job_id)[0].made_at[:10]})" in whole
        for reader in ev.READERS:  # of that visit alone both are missing
            first = read(evidence_report(store, job.job_id, visit_id=two.visit_id, reader=reader))[0]
            assert "2 were not measured" in first
            assert first.count("not measured: photo of 2026-03-02 refused: No strip.") == 2
        assert "Before" not in read(evidence_report(store, job.job_id, visit_id=two.visit_id, reader="customer"))[0]


@pytest.mark.slow
def test_a_seam_has_one_number_on_every_paper_about_its_job(tmp_path):
    """Of three seams the second was measured at the second visit only."""
    spec = {"nominal": "5.8mm", "allow_below": "0.5mm", "allow_above": "0.5mm"}
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        seams = [store.add_seam(job.job_id, name, spec=spec) for name in ("door", "sill", "roof")]
        visits = [store.add_visit(job.job_id, stage, on_date=f"2026-03-0{k}") for k, stage in enumerate(("a", "b"), 1)]
        for k, (seam, visit) in enumerate((s, v) for v in visits for s in seams if s is not seams[1] or v is visits[1]):
            data = PHOTO + bytes([k])
            judge_line(store, store.save_photo(seam.seam_id, visit.visit_id, data, ".jpg", invented(4.8)))
        for visit, many in ((visits[0], 2), (None, 3)):
            for reader in ev.READERS:
                how = {"visit_id": None if visit is None else visit.visit_id, "reader": reader}
                first = read(evidence_report(store, job.job_id, **how))[0]
                assert f"No: {many} are out of tolerance (1. door: too tight; " in first
                assert "3. roof: too tight)" in first
                assert "3. roof (" in first
                assert "2. roof" not in first


def test_seams_whose_strips_were_not_checked_are_told_by_their_numbers():
    seams = list(document(3).seams)
    for k in (0, 2):
        m = seams[k].after.measurement
        after = replace(seams[k].after, measurement=replace(m, scale=replace(m.scale, print_scale_checked=False)))
        seams[k] = replace(seams[k], after=after)
    checked = seams[1].after.measurement
    right = replace(checked, scale=replace(checked.scale, print_scale_checked=True))
    seams[1] = replace(seams[1], after=replace(seams[1].after, measurement=right))
    first = read(ev.write_evidence(replace(document(0), seams=tuple(seams)), reader="customer"))[0]
    assert "NOT checked for seams 1, 3: nobody measured their check lines" in first


def test_a_customer_reads_what_was_seen_and_the_shop_what_to_do():
    told = "The camera looked from the side. Hold it square above the gap. (seams 4, 5)"
    whole = replace(document(1), warnings=(told, "No full stop in it (seam 1)"))
    assert told in read(ev.write_evidence(whole, reader="paint-shop"))[0]
    first = read(ev.write_evidence(whole, reader="customer"))[0]
    assert "The camera looked from the side. (seams 4, 5)" in first
    assert "Hold it square" not in first
    assert "No full stop in it (seam 1)" in first


def test_of_many_photos_a_customer_sees_the_best_of_each_seam_and_no_words_on_small_ones():
    """Three photos of each of seven seams; the third of each set shows the most stations."""

    def last_shows_most(profile):
        return replace(profile, photo=np.minimum(np.arange(len(profile.s_mm)) // 30, 2))

    pdf = ev.write_evidence(sets_of_three(7, last_shows_most), reader="customer")
    second = pypdfium2.PdfDocument(pdf)[1]
    pictures = [o for o in second.get_objects(max_depth=5) if o.type == 3]
    assert len(pictures) == 7
    assert read(pdf)[1].count("Photo 3 of 3.") == 7
    left, _, right, _ = pictures[0].get_bounds()
    assert right - left > 0.15 * second.get_width()
    one, black = shown(4.8, "x", 1, "out of tolerance"), np.zeros((300, 400, 3), np.uint8)
    plain, labelled = (draw_overlay(black, one.measurement, one.verdict, labels=x) for x in (False, True))
    assert np.asarray(plain).sum() < np.asarray(labelled).sum(), "labels are white plates"


def test_further_rows_of_a_seam_carry_its_number_and_one_station_is_one_place():
    """Rows go on over the page: none may stand there without its seam."""
    whole = painted(2)
    span = {"from_mm": 8.0, "to_mm": 8.0, "state": "at risk of chipping", "worst_mm": 4.0, "worst_at_mm": 8.0}
    seams = tuple(replace(s, forecast=s.forecast | {"chip_spans": [span, span]}) for s in whole.seams)
    told = " ".join(read(ev.write_evidence(replace(whole, seams=seams), reader="paint-shop")))
    assert told.count("2. 8 mm at risk of chipping") == 1
    assert "8 to 8 mm" not in told
    told = " ".join(read(ev.write_evidence(whole)))
    assert "1. after: after fit-up" in told
    assert told.count("In the later photo: Panel A lies ") == 1  # the second seam was measured once
    assert told.count("Panel A lies ") == 2


def test_papers_name_edges_by_their_letters():
    """Nobody who reads a paper knows which panel was 'this' one."""
    one = document(1).seams[0]
    spec = replace(simple_spec(4.8, 0.5, 0.5), straightness_mm=0.05, straightness_100_mm=0.05, step_mm=0.1)
    after = replace(one.after, verdict=judge_measurement(one.after.measurement, spec))
    told = " ".join(read(ev.write_evidence(replace(document(0), seams=(replace(one, after=after),)))))
    assert "Straightness of edge B" in told
    assert "Straightness of edge A" in told
    assert "this panel" not in told
    assert "neighbour's" not in told


@pytest.mark.slow
def test_a_photo_is_named_as_in_its_own_job(tmp_path):
    """One file kept for two jobs, under another name in each: no paper tells the other customer's."""
    with Store(tmp_path) as store:
        jobs = []
        for name in ("first.jpg", "second.jpg"):
            job = store.new_job(reference=name)
            seam, visit = store.add_seam(job.job_id, "door"), store.add_visit(job.job_id, "x", on_date="2026-03-02")
            content = invented_set({name: hashlib.sha256(PHOTO).hexdigest()})
            store.save_photo(seam.seam_id, visit.visit_id, PHOTO, ".jpg", content, file_name=name)
            jobs.append(job)
        told = [" ".join(read(evidence_report(store, job.job_id))) for job in jobs]
        export_job(store, jobs[1].job_id, tmp_path / "second.zip")
    with zipfile.ZipFile(tmp_path / "second.zip") as z:
        assert not [name for name in z.namelist() if b"first.jpg" in z.read(name)]
        assert b"second.jpg" in z.read("job.json")
    assert told[0].count("door x first.jpg") == 1
    assert told[1].count("door x second.jpg") == 1
    assert "first.jpg" not in told[1]


def test_as_above_is_said_only_of_the_same_wanted_gap():
    """The wanted gap was changed between the visits: 4.80 mm for the first, 5.20 mm for the second."""
    one = document(1).seams[0]
    assert "as above" in read(ev.write_evidence(replace(document(0), seams=(one,))))[0]
    verdict = judge_measurement(one.after.measurement, simple_spec(5.2, 0.3, 0.2))
    changed = replace(one, after=replace(one.after, verdict=verdict))
    first = read(ev.write_evidence(replace(document(0), seams=(changed,))))[0]
    assert "as above" not in first
    assert "5.20 mm" in first
    assert "4.80 mm" in first


@pytest.mark.slow
def test_seams_with_one_warning_are_told_by_their_numbers(tmp_path):
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        visit = store.add_visit(job.job_id, "as found", on_date="2026-03-02")
        for k in range(5):
            seam = store.add_seam(job.job_id, f"seam of panel {k}")
            content = invented(4.8, status="warn")
            content["warnings"] = [{"code": "edge-doubtful", "message": "Doubtful.", "advice": ""}] * (k > 0)
            store.save_photo(seam.seam_id, visit.visit_id, PHOTO + bytes([k]), ".jpg", content)
        assert "Doubtful. (seams 2, 3, 4, 5)" in read(evidence_report(store, job.job_id, reader="customer"))[0]


def test_what_u_is_made_of_is_named():
    parts = measured().profile.parts_mm
    assert set(parts) <= set(words.U_PARTS)
    one = document(1).seams[0]
    seam = replace(one, before=None, comparison=None, after=replace(one.after, measurement=measured(), verdict=None))
    told = " ".join(read(ev.write_evidence(replace(document(0), seams=(seam,)))))
    assert f"edge {words.U_PARTS['edge']} 0.03 mm 0.03 mm 90 %" in told  # 0.03^2 of 0.03^2 + 0.01^2
    assert words.check_by_hand(measured(), MM) in told.replace(" .", ".")
    assert "mm" in words.check_by_hand(measured(), INCH)


def test_a_part_of_u_that_no_digit_shows_has_no_row_of_noughts():
    one, m = document(1).seams[0], measured()
    parts = m.profile.parts_mm | {"depth": 0 * m.profile.s_mm + 0.0004}
    after = replace(one.after, measurement=replace(m, profile=replace(m.profile, parts_mm=parts)), verdict=None)
    seam = replace(one, before=None, comparison=None, after=after)
    told = " ".join(read(ev.write_evidence(replace(document(0, units="inch"), seams=(seam,)))))
    assert "Too small to be told in these digits: depth." in told
    assert "0.0000 in" not in told
