"""Car files: a ready car, one of one's own, and what is wrong in them said with its place."""

from dataclasses import replace

import pytest
import tomli_w

from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.formats import measurement_json
from gapvision.formats.car_file import car_file, car_from_table, learnt_file, read_car, with_responses
from gapvision.formats.toml import toml_from_text
from gapvision.judgement.car_rows import settings_of_car
from tests.judgement.test_plan import measurement

ROADSTER = {"shape": "two-seat roadster", "preset": "even-close"}
BOX = [["0mm", "0mm", "0mm"], ["400mm", "0mm", "0mm"], ["400mm", "300mm", "0mm"]]
WAY = {"direction": "rearward", "travel": ["-2mm", "2mm"]}
OWN = {
    "bodies": [
        {"name": "post", "outline": BOX},
        {
            "name": "lid", "kind": "panel", "outline": BOX,
            "adjusters": [{"name": "hinge", "kind": "slotted hinge", "at": BOX[0], "ways": [WAY]}],
        },
    ],
    "seams": [
        {"name": "a", "one": "lid", "other": "post", "start": BOX[0], "end": BOX[1], "facing": ["up", [0, 0, 1]]},
    ],
}  # fmt: skip


def test_a_ready_car_has_its_seams_under_both_names():
    car = car_from_table(ROADSTER)
    assert len(car.seams) == 14
    assert car.hang_order[:2] == ("left door", "right door")
    assert car.seam("left quarter, front") is car.seam("left door, rear")
    assert car.seam("left door, rear").pair == "right door, rear"
    coupe = car_from_table({**ROADSTER, "shape": "two-door coupe"})
    assert len(coupe.seams) == 19
    assert coupe.body("left lamp lid").hung_on == "left front wing"


def test_sizes_are_typed():
    car = car_from_table({**ROADSTER, "sizes": {"door_length": "1m"}})
    assert car.seam("left door, sill").length_mm == pytest.approx(1000)


def test_a_running_gap_is_laid_the_way_its_seam_leads():
    """1/4 in at the front running to 1/8 in at the rear: on the boot lid's left seam too, which runs front to rear."""
    car = car_from_table({**ROADSTER, "seams": [{"name": "left door, sill", "preset": "door-period"}]})
    assert [p.gap_mm for p in car.seam("left door, sill").spec.nominal] == [6.35, 3.175]
    with pytest.raises(GapvisionError, match="leads down"):
        car_from_table({**ROADSTER, "seams": [{"name": "left door, rear", "preset": "door-period"}]})


def test_ones_own_car():
    car = car_from_table(OWN)
    assert car.hang_order == ("lid",)
    assert car.seams[0].facing == ((0.0, 0.0, 1.0), (0.0, 0.0, 1.0))
    assert car.seams[0].other_name


def changed(path, value, base=OWN):
    def put(table, keys):
        if not keys:
            return value
        key, rest = keys[0], keys[1:]
        if isinstance(table, list):
            return [put(x, rest) if i == key else x for i, x in enumerate(table)]
        return {**table, key: put(table.get(key, {}), rest)}

    return put(base, path)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"shape": "van"}, "'van' is no ready car"),
        ({**ROADSTER, "sizes": {"door": "1m"}}, "'door' is no size"),
        ({**ROADSTER, "sizes": {"door_length": "10m"}}, "not between 150 mm and 3 m"),
        ({**ROADSTER, "sizes": {"door_length": 900}}, "has no unit"),
        ({**ROADSTER, "sizes": {"bonnet_width": "2m"}}, "wider than the body"),
        ({**ROADSTER, "order": ["bonnet"]}, "order of the work"),
        ({**ROADSTER, "seams": [{"name": "bonnet, left"}, {"name": "left front wing, top"}]}, "stands twice"),
        ({**ROADSTER, "seams": [{"name": "nowhere"}]}, "lacks: one, other, place, facing"),
        ({**ROADSTER, "bodies": [{"name": "left door", "hung_on": "left door"}]}, "hangs on itself"),
        ({**ROADSTER, "bodies": [{"name": "left door", "hung_on": "scuttle"}]}, "no panel that moves"),
        ({**ROADSTER, "bodies": [{"name": "left door", "adjusters": []}]}, "nothing on it sets it"),
        ({**ROADSTER, "seams": [{"name": "bonnet, left", "pair": "bonnet, rear"}]}, "do not name each other"),
        ({**ROADSTER, "seams": [{"name": "left door, sill", "facing": ["to the right"] * 2}]}, "look into the car"),
        (changed(["seams", 0, "other"], "lid"), "between 'lid' and itself"),
        (changed(["seams", 0, "other"], "roof"), "names the body 'roof'"),
        (changed(["seams", 0, "end"], BOX[0]), "no two of its places may be the same"),
        (changed(["seams", 0, "facing"], ["up", "down"]), "opposite ways"),
        (changed(["seams", 0, "facing"], ["rearward", "rearward"]), "runs the way its faces look"),
        (changed(["seams", 0, "facing"], ["sideways", "up"]), "'sideways' is no direction"),
        (changed(["bodies", 1, "adjusters", 0, "ways", 0, "travel"], ["1mm", "2mm"]), "from zero or less"),
        (changed(["bodies", 1, "adjusters", 0, "kind"], "glue"), "not known here"),
        (changed(["bodies", 1, "adjusters", 0, "ways", 0, "response"], 9.0), "not between 0.2 and 3"),
        (changed(["bodies", 1, "kind"], "stays"), "stays, but has adjusters"),
        (changed(["bodies", 1, "name"], "post"), "stands twice"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(table, said):
    with pytest.raises(GapvisionError, match=said) as refusal:
        car_from_table(table, "'my.toml'")
    assert refusal.value.code == "car-file-bad"
    assert "my.toml" in refusal.value.message


def written(tmp_path, name="car.toml", gap=None, reverse=False, at="60mm"):
    found = measurement(step=0.0)
    measurement_json.write(found, tmp_path / "door.json")
    table = car_file("grey car", "two-seat roadster", {})
    row = next(s for s in table["seams"] if s["name"] == "left door, sill")
    row["photos"] = [{"file": "door.json", "at": at, "reverse": reverse}]
    (tmp_path / name).write_text(tomli_w.dumps(table), encoding="utf-8")
    return tmp_path / name


def test_photos_are_laid_on_their_seams_and_their_sides_looked_at(tmp_path):
    """In the photo edge B, the door's, lies above, as on the car; reversed, the photo would stand on its head."""
    _, measured = read_car(written(tmp_path, reverse=False))
    assert measured.readings["left door, sill"][0].s_mm[0] == pytest.approx(60)
    with pytest.raises(GapvisionError, match="on the other side of the seam"):
        read_car(written(tmp_path, reverse=True))


def test_a_photo_beyond_its_seam_is_refused(tmp_path):
    with pytest.raises(GapvisionError, match="but the seam is 950 mm"):
        read_car(written(tmp_path, at="900mm"))


def test_what_was_learnt_is_written_and_read_again():
    car = car_from_table(ROADSTER)
    way = car.body("bonnet").adjusters[0].ways[0]
    taught = replace(
        car,
        bodies=tuple(
            replace(b, adjusters=(replace(a := b.adjusters[0], ways=(replace(way, response=0.7, response_std=0.1),
                                                                  *a.ways[1:])), *b.adjusters[1:]))
            if b.name == "bonnet" else b
            for b in car.bodies
        ),
    )  # fmt: skip
    again = car_from_table(toml_from_text(tomli_w.dumps(with_responses(ROADSTER, taught)), "x"))
    assert again.bodies == taught.bodies
    assert len(settings_of_car(again)) == len(settings_of_car(car))


def test_what_was_learnt_goes_to_a_file_of_its_own(tmp_path, capsys):
    """The same car from another folder, with the answers, its photos found there; what was there stays as it is."""
    file = written(tmp_path)
    was, car = file.read_text(encoding="utf-8"), read_car(file)[0]
    lid = car.body("boot lid")
    first = replace(lid.adjusters[0], ways=tuple(replace(w, response=0.7, response_std=0.1)
                                                 for w in lid.adjusters[0].ways))  # fmt: skip
    taught = replace(car, bodies=tuple(replace(b, adjusters=(first, *b.adjusters[1:])) if b == lid else b
                                       for b in car.bodies))  # fmt: skip
    other = tmp_path / "round two" / "car.toml"
    other.parent.mkdir()
    other.write_bytes(learnt_file(file, taught, other.parent))
    again, measured = read_car(other)
    assert again.bodies == taught.bodies
    assert measured.readings["left door, sill"][0].s_mm[0] == pytest.approx(60)
    assert file.read_text(encoding="utf-8") == was
    assert main(["plan", str(file), "--learnt", str(tmp_path / "new.toml")]) == 2  # nothing was done yet
    assert main(["plan", str(file), "--did", str(file), "p.json", "--learnt", str(file)]) == 2
    assert "which is to be read" in capsys.readouterr().err
    assert main(["plan", str(file), "--done", "roof"]) == 2
    assert "'roof' is no panel of this car that moves." in capsys.readouterr().err


def test_the_command_writes_a_car_and_shows_it(tmp_path, capsys):
    file, picture = tmp_path / "mine.toml", tmp_path / "mine.svg"
    asked = ["car", str(file), "--shape", "two-door coupe", "--size", "door_length=38in", "--plot", str(picture)]
    assert main(asked) == 0
    told = capsys.readouterr().out
    assert "19 seams, 9 panels that move" in told
    assert "left door, rear (left quarter, front): not measured" in told.replace("\n      ", " ")
    assert read_car(file)[0].seam("left door, sill").length_mm == pytest.approx(965.2)
    assert "left door, rear" in picture.read_text(encoding="utf-8")
    assert main(asked[:4]) == 2  # it lies there already
    assert main(["plan", str(file)]) == 2
    assert "No seam of the car has a measurement." in capsys.readouterr().err


def test_a_car_gives_its_job_its_seams(tmp_path, capsys):
    file = tmp_path / "mine.toml"
    data = ["--data", str(tmp_path / "data")]
    assert main(["job", "new", "--reference", "T-1", *data]) == 0
    assert main(["car", str(file), "--shape", "two-seat roadster", "--job", "T-1", *data]) == 0
    assert "14 of 14 seams added" in capsys.readouterr().out
    assert main(["car", str(file), "--job", "T-1", *data]) == 0
    assert "0 of 14 seams added" in capsys.readouterr().out


@pytest.mark.slow
def test_the_command_plans_a_car(tmp_path, capsys):
    file, plan = written(tmp_path, reverse=False), tmp_path / "plan.json"
    paper = tmp_path / "plan.pdf"
    assert main(["plan", str(file), "--json", str(plan), "--pdf", str(paper)]) == 0
    assert paper.read_bytes().startswith(b"%PDF")
    told = " ".join(capsys.readouterr().out.split())
    assert "1. left door" in told
    assert "Photograph every seam" in told
    assert main(["plan", str(file), "--did", str(file), str(plan)]) == 0  # nothing was set, so nothing is learnt
    new = tmp_path / "new.toml"
    assert main(["plan", str(file), "--did", str(file), str(plan), "--learnt", str(new), "--done", "bonnet"]) == 0
    assert read_car(new)[0] == read_car(file)[0]
    other = '{"panel": "roof", "adjuster": "x", "way": 0, "set_mm": 1}'
    plan.write_text(plan.read_text().replace('"settings": []', f'"settings": [{other}]'))
    assert main(["plan", str(file), "--did", str(file), str(plan)]) == 2
    assert "which the car does not have" in capsys.readouterr().err


def test_a_car_goes_with_its_job_through_export_and_import(tmp_path):
    """What is kept comes back; a car file that cannot be meant is refused before anything is stored."""
    from gapvision.records import Store
    from gapvision.workshop import car_of, export_job, import_job, set_car

    with Store(tmp_path / "one") as store, Store(tmp_path / "two") as other:
        job = store.new_job(reference="C-1")
        text = tomli_w.dumps(car_file("grey car", "two-door coupe", {}))
        assert car_of(store, job.job_id) is None
        assert set_car(store, job.job_id, text) == 19
        with pytest.raises(GapvisionError):
            set_car(store, job.job_id, 'shape = "van"')
        export_job(store, job.job_id, tmp_path / "job.zip")
        taken = import_job(other, tmp_path / "job.zip")
        assert car_of(other, taken.job_id) == car_from_table(toml_from_text(text, "x"))
        assert {s.full_name for s in other.seams(taken.job_id)} == {s.name for s in car_from_table(ROADSTER).seams} | {
            "left door, top", "right door, top", "fuel flap, edge", "left lamp lid, edge", "right lamp lid, edge",
        }  # fmt: skip


def test_papers_name_the_panels_only_as_a_person_told_them(tmp_path):
    """A ready car knows which panels meet, but not which of them edge A is; a seam with its panel_edge does."""
    from gapvision.records import Store
    from gapvision.workshop import panels_beside, set_car

    table = car_file("grey car", "two-door coupe", {})
    with Store(tmp_path) as store:
        job = store.new_job(reference="C-1")
        other = store.add_seam(job.job_id, "tonneau")
        assert panels_beside(store, other) == {}
        set_car(store, job.job_id, tomli_w.dumps(table))
        one = car_from_table(table).seams[0]
        seam = store.find_seam(job.job_id, one.name)
        assert panels_beside(store, seam) == {"": f"The seam lies between {one.one} and {one.other}."}
        set_car(store, job.job_id, tomli_w.dumps({**table, "seams": [{"name": one.name, "panel_edge": "A"}]}))
        assert panels_beside(store, seam) == {"A": one.one, "B": one.other}
