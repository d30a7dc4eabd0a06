"""The judgement's bench runs and says what it should."""

from gapvision.lab.bench import judgement


def test_prints_its_figures(capsys):
    judgement.against_evolution(3, 1)
    judgement.against_brute_force(6, 1)
    judgement.against_monte_carlo(1)
    out = capsys.readouterr().out
    assert "worse than differential evolution on 0" in out
    assert "with a possible line" in out
    assert "largest difference to Monte Carlo" in out
