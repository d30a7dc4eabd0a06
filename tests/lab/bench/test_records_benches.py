"""The benches of the records run and lose nothing, in a small size; the full counts stand in DEVELOPERS.md."""

import pytest

from gapvision.lab.bench import records_attack, records_kill, records_load, records_writers


@pytest.mark.slow
def test_kills(monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["records_kill", "--kills", "10"])
    assert records_kill.main() == 0
    assert "kills: 10" in capsys.readouterr().out


@pytest.mark.slow
def test_writers(monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["records_writers", "--writers", "4", "--saves", "8"])
    assert records_writers.main() == 0
    out = capsys.readouterr().out
    assert "4 processes: 32 saves said, 0 lost or wrong" in out
    assert "4 threads: 32 saves said, 0 lost or wrong" in out


@pytest.mark.slow
def test_attacks(monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["records_attack", "--alterations", "40", "--seed", "2"])
    assert records_attack.main() == 0
    assert "alterations: 40" in capsys.readouterr().out


@pytest.mark.slow
def test_load_fills_what_it_says(tmp_path):
    from gapvision.records import Store

    records_load.fill(tmp_path, 3, 12)
    with Store(tmp_path) as store:
        assert len(store.jobs()) == 3
        assert sum(len(store.job_lines(j.job.job_id)) for j in store.jobs()) == 12
        assert store.verify().problems == ()
