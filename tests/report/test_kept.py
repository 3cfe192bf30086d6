"""What a report was made of last time: a hit gives the bytes of a run, any change is a new run."""

import hashlib
import hmac
import itertools
import json
import os
import shutil
import stat
import time
import zoneinfo
from contextlib import nullcontext
from pathlib import Path

import pytest
from turns import slowly

from agreement.errors import AgreementError
from agreement.report.run import kept as module
from agreement.report.run import study_state as study_state_module
from agreement.report.run.kept import kept_report
from agreement.report.run.own_report import checksums
from agreement.report.run.study_state import study_state, without_question
from agreement.report.run.templates import joined_lines
from agreement.report.run.write import write_report

MADE_LATER = ("report.html", "report.ipynb")


@pytest.fixture
def entry(squad, tmp_path, monkeypatch):
    """A copy of a study whose report is kept, and what asks for it."""
    monkeypatch.setenv(module.CACHE_VARIABLE, str(tmp_path / "cache"))
    study = shutil.copytree(squad.study, tmp_path / squad.study.name)
    (study / "samples").mkdir()
    (study / "samples" / "S1.csv").write_text("t_s,hr_bpm\n0,100\n")
    made, target = tmp_path / "made", tmp_path / "out"
    shutil.copytree(squad.written.folder, made, ignore=shutil.ignore_patterns(*MADE_LATER))
    target.mkdir()
    notebook = joined_lines(json.loads(squad.text("report.ipynb")))

    def ask(kind="squad", place=study):
        return kept_report(place, kind, target, target)

    first = ask()
    assert first.restore(target) is None
    first.keep(notebook, made, ask())
    return study, target, ask


def hit(ask, target):
    for name in ("provenance.json", "history.csv"):
        (target / name).unlink(missing_ok=True)
    found = ask()
    return found is not None and found.restore(target) is not None


def test_the_same_study_gives_the_same_files(entry, squad):
    _, target, ask = entry
    assert hit(ask, target)
    ours, theirs = checksums(target), checksums(squad.written.folder)
    assert ours == {name: one for name, one in theirs.items() if name not in MADE_LATER}


def altered(kept, change):
    """Change what is kept of a report."""
    body = module.checked_body(kept.file, kept.key)
    change(body)
    module.write_checked(kept.file, {"key": kept.key, "study": kept.state.rest}, body)


def test_an_audit_that_is_kept_has_no_plain_checksum_of_the_study(entry, squad, tmp_path):
    study, target, ask = entry
    key, toml = bytes(range(32)), study / "study.toml"
    (study / "pseudonyms.key").write_text(key.hex())
    ask().keep(joined_lines(json.loads(squad.text("report.ipynb"))), tmp_path / "made", ask())

    def keyed():
        plain = hashlib.sha256(toml.read_bytes()).hexdigest()
        return "keyed:" + hmac.new(key, plain.encode(), "sha256").hexdigest()

    def told():
        assert hit(ask, target)
        inputs = json.loads((target / "provenance.json").read_text())["inputs"]
        return [one["sha256"] for one in inputs if one["name"] == "study.toml"]

    def audit(body):
        (one,) = (one for one in body["provenance"]["inputs"] if one["name"] == "study.toml")
        one["sha256"] = keyed()

    altered(ask(), audit)
    before = told()
    assert before == [keyed()]
    toml.write_text(toml.read_text().replace("Is the number usable?", "Is it?"))
    assert told() == [keyed()] != before


def test_what_is_kept_without_a_history_leaves_none_of_the_report_before(entry):
    _, target, ask = entry
    assert hit(ask, target)
    (target / "provenance.json").unlink()
    altered(ask(), lambda body: body["files"].pop("history.csv"))
    assert (target / "history.csv").exists()
    assert ask().restore(target) is not None
    assert not (target / "history.csv").exists()


def test_each_changed_added_or_missing_file_is_a_new_run(entry):
    study, target, ask = entry
    files = sorted(path for path in study.rglob("*") if path.is_file())
    assert len(files) == 5
    for path in files:
        before = path.read_bytes()
        for after in (before + b" ", before.replace(b"0", b"1", 1), None):
            # asked without touching the entry: a run of another state drops it
            path.unlink() if after is None else path.write_bytes(after)
            state = None
            if study.joinpath("study.toml").exists():
                state = study_state(study, target).rest
            path.write_bytes(before)
            assert state != study_state(study, target).rest, path
    same = study_state(study, target).rest
    for name in ("published.toml", "withdrawn.keyed", "breaths/T1.csv", ".hidden"):
        (study / name).parent.mkdir(exist_ok=True)
        (study / name).write_text("")
        assert study_state(study, target).rest != same, name
        (study / name).unlink()
    (study / "breaths").rmdir()
    assert study_state(study, target).rest == same
    assert hit(ask, target)


@pytest.mark.skipif(os.name != "posix", reason="links need rights there")
def test_a_link_in_the_place_of_a_file_or_to_elsewhere_is_a_new_run(entry, tmp_path):
    study, target, _ = entry
    states = [study_state(study, target).rest]
    for name in ("lab_tests.csv", "samples"):
        shutil.move(study / name, tmp_path / name)
        for place in (tmp_path / name, study / f"the_{name}"):
            if place.parent == study:
                shutil.move(tmp_path / name, place)
            (study / name).symlink_to(place)
            states.append(study_state(study, target).rest)
            (study / name).unlink()
        shutil.move(study / f"the_{name}", study / name)
    assert len({*states}) == 5
    assert study_state(study, target).rest == states[0]


def test_a_change_that_is_taken_back_before_the_run_ends_is_not_kept(entry, squad, tmp_path):
    study, _, ask = entry
    before = ask()
    before.file.unlink()
    text = (study / "athletes.csv").read_bytes()
    (study / "athletes.csv").write_bytes(b"athlete_id\n")
    (study / "athletes.csv").write_bytes(text)
    notebook = joined_lines(json.loads(squad.text("report.ipynb")))
    before.keep(notebook, tmp_path / "made", ask())
    assert not before.file.exists()
    ask().keep(notebook, tmp_path / "made", ask())
    assert before.file.exists()


def test_each_changed_line_of_study_toml_but_the_question_is_a_new_run(entry):
    study, target, _ = entry
    toml = study / "study.toml"
    text = toml.read_text(encoding="utf-8")
    same = study_state(study, target)
    for line in filter(None, text.splitlines()):
        for new in (line + " # why", "", line.replace("1", "2").replace("crew", "team") + "\n"):
            toml.write_text(text.replace(line, new, 1), encoding="utf-8")
            state = study_state(study, target)
            assert state.rest != same.rest, (line, new)
    toml.write_text(text.replace("Is the number usable?", "Is it?"), encoding="utf-8")
    other = study_state(study, target)
    assert (other.rest, other.question) == (same.rest, "Is it?")
    assert other.moment != same.moment


@pytest.mark.parametrize(
    "text",
    [
        "[study]\nquestion = ''\ntitle = '''\nquestion = \"a\"\n'''",
        '[study]\nquestion = """a\n"""',
        "[methods.question]\nquestion = 'a'",
        '[study]\nquestion = "a\\u0007"',
    ],
)
def test_a_question_that_is_not_surely_the_question_is_text_like_any_other(text):
    assert without_question(text) == (text, "")


@pytest.mark.parametrize("what", ["_program", "_surroundings", "template", "kind", "damage"])
def test_another_program_machine_day_template_or_kind_is_a_new_run(entry, monkeypatch, what):
    _, target, ask = entry
    assert hit(ask, target)
    if what == "kind":
        assert ask("audit").restore(target) is None
    elif what == "damage":
        file = ask().file
        file.write_bytes(file.read_bytes().replace(b"mL/kg", b"ml/kg", 1))
        assert not hit(ask, target)
    else:
        monkeypatch.setattr(module, what, lambda *_: "another")
        assert not hit(ask, target)


@pytest.mark.parametrize("found", [b"1\n", b"null\n{}", b'"study"\n', b"[" * 100_000 + b"\n{}"])
def test_another_text_in_the_place_of_what_is_kept_is_a_new_run(entry, found):
    _, target, ask = entry
    file, key = ask().file, ask().key
    file.write_bytes(found)
    assert module.checked_body(file, key) is None
    assert not hit(ask, target)


def test_settings_of_the_machine_that_numbers_hang_on_are_in_the_key(monkeypatch):
    before = module._surroundings()
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    assert {"OMP_NUM_THREADS=7", "TZ=Asia/Tokyo"} <= set(module._surroundings()) - set(before)


def test_the_rules_of_time_zones_are_in_the_key(monkeypatch, tmp_path):
    monkeypatch.setattr(zoneinfo, "TZPATH", (str(tmp_path), str(tmp_path / "none")))
    states = [module._surroundings()]
    (tmp_path / "tzdata.zi").write_text("# version 2026a")
    states.append(module._surroundings())
    (tmp_path / "tzdata.zi").write_text("# version 2026b")
    states.append(module._surroundings())
    (tmp_path / "Oslo").write_text("as some systems update a zone")
    states.append(module._surroundings())
    assert all(one != other for one, other in itertools.pairwise(states))


def test_an_earlier_report_that_counts_other_looks_is_a_new_run(entry, squad):
    _, target, ask = entry
    told = json.loads(squad.text("provenance.json"))
    history = target / "history.csv"
    judged = told["judged"]
    others = [
        ({}, True),
        ({"judged": judged | {"look": 2}}, False),
        ({"judged": judged | {"against": "other"}}, False),
        ({"kind": "audit"}, False),
        ({"inputs": told["inputs"][:-1]}, False),
        ({"outputs": told["outputs"] | {"history.csv": "0" * 64}}, False),
    ]
    for change, fits in others:
        shutil.copy(squad.written.folder / "history.csv", history)
        (target / "provenance.json").write_text(json.dumps(told | change))
        assert (ask().restore(target) is not None) == fits, change
    history.unlink()
    (target / "provenance.json").write_text(json.dumps(told))
    assert ask().restore(target) is None


@pytest.mark.skipif(os.name != "posix", reason="rights of files are told otherwise there")
def test_it_is_the_users_own_and_a_place_of_others_is_not_used(entry):
    _, target, ask = entry
    file = ask().file
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700
    assert "Delete this folder" in (file.parent / "README.txt").read_text()
    file.parent.chmod(0o770)
    assert ask() is None
    file.parent.chmod(0o700)
    assert hit(ask, target)


def test_another_state_of_a_study_drops_what_was_kept_of_all_its_reports(entry):
    study, target, ask = entry
    file = ask().file
    other = file.with_name(file.name.replace("squad", "audit"))
    shutil.copy(file, other)
    (study / "athletes.csv").write_text("athlete_id\n")
    assert ask().restore(target) is None
    assert not file.exists()
    assert not other.exists()


def test_a_run_that_keeps_nothing_drops_other_states_and_no_more(entry):
    study, target, ask = entry
    file = ask().file
    raw = [file.with_name(f"{file.name[:24]}.{one}") for one in ("samples", "breaths")]
    for one in (*raw, file.with_name("notes.json")):
        one.write_text("{}")
    module.drop_other_states(study, target)
    assert hit(ask, target)
    assert all(one.exists() for one in raw)
    (study / "athletes.csv").write_text("athlete_id\n")
    module.drop_other_states(study, target)
    assert sorted(one.name for one in file.parent.iterdir()) == ["README.txt", "notes.json"]


def test_what_runs_write_into_a_study_does_not_make_it_another(entry):
    study, target, _ = entry
    (study / "z.csv").write_text("")  # names before and behind those that runs write
    before = study_state(study, target)
    for name in ("pseudonyms.key", "withdrawn.keyed"):
        (study / name).write_text("written by a run")
    after = study_state(study, target)
    assert after.given == before.given
    assert after.rest != before.rest


@pytest.mark.parametrize(("withdraws", "stops"), [(True, False), (True, True), (False, False)])
def test_who_withdraws_while_a_report_is_made_is_nowhere_kept(
    small_study, tmp_path, monkeypatch, withdraws, stops
):
    monkeypatch.setenv(module.CACHE_VARIABLE, str(tmp_path / "cache"))
    study = small_study(tmp_path / "crew")
    people = study / "athletes.csv"
    first, *rows = people.read_text().splitlines()
    people.write_text("\n".join([f"{first},withdrawn", *(f"{row},no" for row in rows)]) + "\n")

    def at_the_end(done, total, *_):
        if withdraws and done == total - 1:  # all is read by then
            people.write_text(people.read_text().replace(",no\n", ",yes\n", 1))
            if stops:
                raise AgreementError("as where the study stops or a disk is full")

    with pytest.raises(AgreementError) if stops else nullcontext():
        write_report(study, tmp_path / "out", kind="squad", cache=True, progress=at_the_end)
    kept = [one.name for one in (tmp_path / "cache").iterdir() if module._OURS.fullmatch(one.name)]
    assert bool(kept) != withdraws
    assert any(name.endswith(".figures") for name in kept) != withdraws


@pytest.mark.parametrize("way", ["cache", "png", *slowly(["kernel"])])
def test_each_way_of_a_report_drops_other_states(entry, tmp_path, way):
    study, _, ask = entry
    file = ask().file
    (study / "study.toml").write_text("?")  # nobody's report: it ends soon
    with pytest.raises(AgreementError):
        write_report(study, tmp_path / "new", kind="squad", **{"cache": True, way: way != "cache"})
    assert not file.exists()


def test_without_a_folder_none_is_made_to_drop_what_is_not_there(entry, tmp_path, monkeypatch):
    monkeypatch.setenv(module.CACHE_VARIABLE, str(tmp_path / "none"))
    module.drop_other_states(*entry[:2])
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("what", ["moved", "broken"])
def test_of_a_study_that_is_gone_or_cannot_be_read_nothing_stays(entry, what):
    study, target, ask = entry
    home, name = ask().file.parent, ask().file.name[:24]
    for ending in ("samples", "breaths", "figures"):
        (home / f"{name}.{ending}").write_text("{}")
    if what == "broken":
        (study / "study.toml").write_text("[study")
        assert ask() is None
    else:
        kept_report(study.parent, "squad", target, target)  # another's: all is in its place
        assert (home / f"{name}.figures").exists()
        study.rename(study.with_name("moved"))
        kept_report(study.parent, "squad", target, target)
    assert not [one.name for one in home.iterdir() if one.name.startswith(name)]


def test_a_study_that_may_not_be_kept_leaves_nothing_kept(entry, monkeypatch):
    _, _, ask = entry
    file = ask().file
    monkeypatch.setattr(study_state_module, "_MOST_FILES", 1)
    assert ask() is None
    assert not file.exists()


@pytest.mark.parametrize("stopped", ["replace", "write"])
def test_an_entry_half_written_is_nowhere_left(entry, monkeypatch, stopped):
    _, target, ask = entry
    file = ask().file
    before = sorted(file.parent.iterdir())

    def stop(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr(*((Path, "replace") if stopped == "replace" else (module.os, "fdopen")), stop)
        module.write_checked(file, {"key": ""}, {})
    assert sorted(file.parent.iterdir()) == before
    killed = [file.with_name(f"{file.name}.77"), file.with_name(f"{'0' * 24}.samples.78")]
    others = [file.with_name("squad.json.77"), file.with_name(f"{'0' * 24}.breaths.79")]
    for one in (*killed, *others):
        one.write_text("rows of people")
    long_ago = time.time() - 2 * 3600
    for one in (killed[1], others[0]):
        os.utime(one, (long_ago, long_ago))
    assert hit(ask, target)
    assert [one.exists() for one in (*killed, *others)] == [False, False, True, True]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["squad", "validation", "audit", "brief"])
def test_a_changed_question_gives_the_bytes_of_a_run_without_it(
    small_study, tmp_path, monkeypatch, kind
):
    monkeypatch.setenv(module.CACHE_VARIABLE, str(tmp_path / "cache"))
    study = small_study(tmp_path / "crew", athletes=6)
    for _ in range(2):  # the first writes the key of an audit: that is another study already
        write_report(study, tmp_path / "out", kind=kind, cache=True)
    toml = study / "study.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("Is the number usable?", "So <what> & 'who'?"), encoding="utf-8")
    made = []
    keep = module.Kept.keep
    monkeypatch.setattr(module.Kept, "keep", lambda *a: made.append(a) or keep(*a))
    write_report(study, tmp_path / "out", kind=kind, cache=True)
    assert not made
    write_report(study, tmp_path / "fresh", kind=kind)
    assert texts(tmp_path / "out") == texts(tmp_path / "fresh")


def texts(folder: Path) -> dict[str, str]:
    """Return every file of a report without its time and the checksums that follow from it."""
    content = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    created = content.pop("created")
    for name in MADE_LATER:
        content["outputs"].pop(name)
    found = {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8").replace(created, "")
        for path in folder.rglob("*")
        if path.is_file() and path.name != "provenance.json"
    }
    return found | {"provenance.json": json.dumps(content)}
