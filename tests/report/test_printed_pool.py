"""The guide's pool of printed validations: its numbers are those that the commands print."""

from pathlib import Path

import pytest

from agreement.errors import AgreementError
from agreement.report.page.machine import in_words
from agreement.report.studies.pool import plan_from_pool, pool_lines
from agreement.report.studies.pool_file import read_pool

GUIDE = Path(__file__).parents[2] / "notebooks" / "guide"
PAGE = (GUIDE / "several_studies.md").read_text(encoding="utf-8")


def test_the_printed_numbers_are_those_of_the_papers():
    """Cooper et al. 2005 and Metsios et al. 2008, abstracts read."""
    cooper, metsios = read_pool(GUIDE / "shuttle_pool.toml").studies
    assert (cooper.n, cooper.bias, cooper.sd) == (30, -1.8, 3.2)
    assert (metsios.n, metsios.bias) == (74, pytest.approx(4.2))
    assert metsios.sd == pytest.approx(7.3 / 1.96)
    # printed beside them: limits of 6.3 to either side; a variation of 7.4 % (of about 50)
    assert 1.96 * cooper.sd == pytest.approx(6.3, abs=0.05)
    assert 100 * metsios.sd / 50 == pytest.approx(7.4, abs=0.1)


def test_the_page_quotes_what_is_printed():
    said = " ".join(map(in_words, pool_lines(read_pool(GUIDE / "shuttle_pool.toml"))))
    for quoted in (
        "bias 1.2 high (95 % interval 6.5 low to 8.9 high)",
        "a bias between 12.1 low and 14.5 high",
        "95 % of its athletes between 14.2 low and 16.6 high",
        "The bias belongs to the squad: calibrate anew.",
        "About half of this width is assumption",
    ):
        assert quoted in said
        assert quoted in PAGE
    plan = plan_from_pool(GUIDE / "shuttle_pool.toml", None, 15.0, 0.8)
    assert "chance 0.53 with 20, 0.65 with 40, 0.71 with 80" in plan
    assert "0.53 with 20 athletes, 0.65 with 40, 0.71 with 80" in PAGE
    assert "would need 15" in plan
    assert "would need 15" in PAGE


def test_what_is_wrong_with_a_pool_is_said_in_one_line_of_sentences(tmp_path):
    file = tmp_path / "pool.toml"
    file.write_text('titel = "x"\n[[study]]\ncitation = "A paper"\nn = 12\n', encoding="utf-8")
    with pytest.raises(AgreementError) as caught:
        read_pool(file)
    said = str(caught.value)
    assert "\n" not in said
    assert "Unknown key 'titel'" in said
    assert said.endswith(").")
    assert "study 1: sd is missing" in said
