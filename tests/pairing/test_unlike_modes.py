"""What was measured in one mode and tested in another: set apart, by the study's own windows."""


def test_a_running_value_beside_a_cycle_test_stands_apart(study):
    study.lab("A", 20, 48.0, mode="cycle").readings("A", (17, 50.0), (18, 52.0))
    study.lab("B", 20).readings("B", (17, 53.0), (18, 53.0))
    found = study.pair()
    assert list(found.pairs["athlete_id"]) == ["B"]
    apart = found.across_modes
    assert apart[["athlete_id", "mode", "laboratory_mode", "lab", "field"]].values.tolist() == [
        ["A", "run", "cycle", 48.0, 51.0]
    ]


def test_it_keeps_windows_and_the_days_that_are_needed(study):
    study.lab("A", 30, mode="cycle").readings("A", (2, 50.0), (29, 52.0))  # one day near, one far
    assert study.pair().across_modes.empty


def test_copies_do_not_come_back(study):
    study.lab("A", 20, mode="cycle").readings("A", (17, 50.0), (18, 52.0), (18, 52.0))
    assert list(study.pair().across_modes["field"]) == [51.0]


def test_a_field_test_goes_by_its_own_rules(study):
    study.lab("A", 20, mode="cycle").field_test("A", 22, 51.0)
    apart = study.pair().across_modes
    assert list(apart["method"]) == ["shuttle"]
    assert list(apart["field"]) == [51.0]


def test_modes_that_may_be_paired_are_not_set_apart(study):
    study.rules(mode_match=(("run", "cycle"),))
    study.lab("A", 20, mode="cycle").readings("A", (17, 50.0), (18, 52.0))
    found = study.pair()
    assert len(found.pairs) == 1
    assert found.across_modes.empty
