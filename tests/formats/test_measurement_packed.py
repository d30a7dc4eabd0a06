"""A measurement as the records keep it, in columns: not a digit is lost, and damage is said in words."""

import json
import random
import zlib

import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.measurement_json import from_json, to_dict
from gapvision.formats.measurement_packed import measurement_of, pack, unpack
from gapvision.lab.bench._records import invented_measurement


def text(content):
    return json.dumps(content, ensure_ascii=False)


def with_stations(change, stations=12):
    content = invented_measurement(3, stations)
    content = content | {"stations": [json.loads(text(one)) for one in content["stations"]]}
    for k, one in enumerate(content["stations"]):
        change(k, one)
    return content


CHANGES = {
    "as it is": lambda k, one: None,
    "nulls and keys that some have not": lambda k, one: one.update(edge_a_u_mm=None) if k % 3 else one.pop("photo"),
    "a step at some": lambda k, one: one.update(step_mm=0.25 * k) if k % 2 else None,
    "a part that is null": lambda k, one: one["parts_u_mm"].update(edge=None if k == 4 else 0.1),
    "full digits": lambda k, one: one.update(gap_mm=4.0 + 0.1 * random.Random(k).random()),
    "whole numbers": lambda k, one: one.update(gap_mm=4, more=k),
    "minus zero": lambda k, one: one.update(edge_a_mm=-0.0),
    "a length far too large": lambda k, one: one.update(gap_mm=1e9),
    "a text": lambda k, one: one.update(remark="at the hinge"),
    "another order": lambda k, one: one.update(s_mm=one.pop("s_mm")) if k else None,
    "a pair of three": lambda k, one: one.update(edge_a_px=[1.0, 2.0, 3.0]),
    "true": lambda k, one: one.update(more=True),
    "a number beyond 32 bits": lambda k, one: one.update(more=2**40 + k),
    "no parts": lambda k, one: one.update(parts_u_mm={}),
    "NaN": lambda k, one: one.update(more=float("nan")),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_content_comes_back_to_the_last_digit_and_in_its_order(change):
    content = with_stations(change)
    assert text(unpack(pack(content))) == text(content)


def read(make):
    try:
        return to_dict(make())
    except GapvisionError as error:
        return error.code


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_measurement_is_the_one_that_its_json_gives(change):
    """Its JSON is read by the file's own reader; both refuse the same."""
    content = with_stations(change)
    assert read(lambda: measurement_of(pack(content))) == read(lambda: from_json(text(content).encode()))


def test_usual_results_stand_in_columns_and_take_less_room():
    content = with_stations(CHANGES["as it is"], 250)
    assert pack(content)[:3] == b"GV1"
    assert len(pack(content)) < 0.5 * len(zlib.compress(text(content).encode(), 6))


def test_what_was_packed_before_columns_is_read():
    content = with_stations(CHANGES["as it is"])
    body = zlib.compress(text(content).encode(), 6)
    assert unpack(body) == content
    assert to_dict(measurement_of(body)) == to_dict(measurement_of(pack(content)))


def read_or_refused(look, body):
    try:
        look(body)
    except GapvisionError as error:
        return error.code
    return "read"


def test_damage_is_said_in_words():
    """Each byte of the packed form altered, also inside its compressed stream (made anew): words, or other content."""
    content = with_stations(CHANGES["as it is"], 4)
    body, rng = pack(content), random.Random(5)
    inside = zlib.decompress(body[3:])
    spoilt = [body[:k] + bytes([body[k] ^ 1 << rng.randrange(8)]) + body[k + 1 :] for k in range(0, len(body), 5)]
    places = rng.sample(range(len(inside)), 200) + list(range(8))
    for k in places:
        changed = inside[:k] + bytes([inside[k] ^ 1 << rng.randrange(8)]) + inside[k + 1 :]
        spoilt.append(b"GV1" + zlib.compress(changed, 1))
    spoilt += [b"", b"GV1", b"GV1" + zlib.compress(b""), b"GV1" + zlib.compress(inside[:-1])]
    for one in spoilt:
        for look in (unpack, measurement_of):
            assert read_or_refused(look, one) in ("read", "records-damaged", "measurement-file-bad")


def test_digits_that_no_number_has_are_told_as_damage():
    inside = zlib.decompress(pack(with_stations(CHANGES["as it is"], 4))[3:])
    head = int.from_bytes(inside[4:8], "little") + 2
    longer = inside[:4] + head.to_bytes(4, "little") + inside[8:].replace(b'"s_mm",null,3]', b'"s_mm",null,333]', 1)
    for look in (unpack, measurement_of):
        assert read_or_refused(look, b"GV1" + zlib.compress(longer)) == "records-damaged"


def test_more_than_fits_into_memory_is_refused():
    bomb = zlib.compressobj(9)
    data = b"".join(bomb.compress(bytes(1_000_000)) for _ in range(80)) + bomb.flush()
    for body in (data, b"GV1" + data):
        with pytest.raises(GapvisionError, match="far larger"):
            unpack(body)
