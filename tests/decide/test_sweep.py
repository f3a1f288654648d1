"""A value swept: each point is the study with that value, by the same random numbers."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from support import ROOT, invoke

import armsim
from armsim.decide.sweep import sweep, values_of
from armsim.decide.sweep_map import sweep_map
from armsim.errors import InputError
from armsim.explorer import charts
from armsim.explorer.result_charts import sweep_map_chart
from armsim.report.sweep_review import sweep_frame, sweep_map_sentence, sweep_review
from armsim.requirement import overall_verdict
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.run_options import RunOptions

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
PATH = "joints.j1.mounting.eccentricity"


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("5um..40um:8", [f"{n} um" for n in range(5, 45, 5)]),
        ("5..40 um:2", ["5 um", "40 um"]),
        ("1 arcsec .. 3 arcsec : 3", ["1 arcsec", "2 arcsec", "3 arcsec"]),
        ("0..1e-3:3", ["0", "0.0005", "0.001"]),
        ("-2..2:5", ["-2", "-1", "0", "1", "2"]),
        ("80 %..100 %:3", ["80 %", "90 %", "100 %"]),
    ],
)
def test_values(text: str, values: list[str]) -> None:
    assert values_of(text) == values


@pytest.mark.parametrize(
    "text", ["", "5um", "5um..40um", "5um..40um:1", "5um..4mm:3", "a..b:3", "1..2:9999", "1..inf:3", "....:3"]
)
def test_no_values(text: str) -> None:
    with pytest.raises(InputError, match=r"FROM\.\.TO:COUNT"):
        values_of(text)


@pytest.mark.parametrize(("scenario", "path"), [(DEMO, PATH), (TRACK, "joints.j2.mastering")])
def test_every_point_is_a_run_of_the_changed_study(scenario: Path, path: str) -> None:
    """Source: the run itself."""
    study = armsim.load(scenario).with_plan(units=60, visits=4)
    unit = "um" if scenario is DEMO else "arcsec"
    table = sweep(study, path, [f"5 {unit}", f"40 {unit}"])
    for point in table.points:
        result = study.change({path: point.value}).run()
        for row, task in zip(point.tasks, result.tasks, strict=True):
            summary = task.summary
            assert (row.judgements, row.worst_pose, row.state) == (
                summary.judgements,
                summary.worst_pose,
                summary.state,
            )
    first, last = (point.tasks[-1].judgements[0].value for point in table.points)
    assert last > first


LEVER = """\
kind: scenario
name: lever
arm: {arm}
joints:
  j1:
    encoder: disc.yaml
    placement: motor
    transmission: {{ratio: 100, kinematic_error: [{{per: input-turn, order: 2, amplitude: 200 arcsec}}]}}
tasks: [{{kind: poses, name: lever, poses: [{{name: out, joints: [7 deg]}}]}}]
sampling: {{units: 50, visits: 5, seed: 1}}
"""
COARSE_DISC = """\
kind: encoder
name: disc
measures: rotation
signal_periods: 512
interpolation: 12 bit
signal: {offset: 5 %}
"""


def lever(folder: Path) -> Path:
    """A scenario, and its encoder in a file of its own."""
    (folder / "disc.yaml").write_text(COARSE_DISC)
    (folder / "scenario.yaml").write_text(LEVER.format(arm=ROOT / "configs" / "arms" / "one-link.yaml"))
    return folder / "scenario.yaml"


@pytest.mark.parametrize(
    ("path", "file", "line", "values"),
    [
        ("joints.j1.transmission.ratio", "scenario.yaml", "ratio: {}", "50..100:3"),
        ("joints.j1.encoder.signal_periods", "disc.yaml", "signal_periods: {}", "128..512:4"),
    ],
)
def test_numbers_without_a_unit(path: str, file: str, line: str, values: str, tmp_path: Path) -> None:
    """A number, and a whole number in another file. Source: a run of the edited file."""
    points = sweep(armsim.load(lever(tmp_path)), path, values_of(values), RunOptions(1)).points
    text = (tmp_path / file).read_text()
    for point in points:
        (tmp_path / file).write_text(text.replace(line.format(points[-1].value), line.format(point.value)))
        result = armsim.load(tmp_path / "scenario.yaml").run(1)
        assert point.tasks[0].judgements[0].value == result.tasks[0].summary.at_coverage
    assert len({point.tasks[0].judgements[0].value for point in points}) == len(points)


def test_the_size_of_the_population_is_swept(tmp_path: Path) -> None:
    """With the visits that the command states. Source: the run with as many units."""
    study = armsim.load(lever(tmp_path)).with_plan(visits=3)
    for point in sweep(study, "sampling.units", values_of("20..60:3"), RunOptions(1)).points:
        result = study.with_plan(units=int(point.value)).run(1)
        assert point.tasks[0].judgements[0].value == result.tasks[0].summary.at_coverage
        assert point.number == float(point.value)
    with pytest.raises(InputError, match=r"22\.5 is not accepted; accepted: a whole number"):
        sweep(study, "sampling.units", values_of("20..25:3"), RunOptions(1))


def test_the_command_leaves_a_table_and_a_figure(tmp_path: Path) -> None:
    process = invoke(
        "run",
        DEMO,
        "--units",
        40,
        "--visits",
        3,
        "--sweep",
        f"{PATH}=5um..40um:3",
        "--out",
        tmp_path / "s",
        "--json",
        pictures=True,
    )
    assert process.returncode in (0, 1, 4), process.stderr
    record = json.loads(process.stdout)
    assert record == json.loads((tmp_path / "s" / "sweep.json").read_text())
    assert [point["value"] for point in record["points"]] == ["5 um", "22.5 um", "40 um"]
    rows = (tmp_path / "s" / "tables" / "sweep.csv").read_text().splitlines()
    assert len(rows) == 1 + 3 * 2
    assert (tmp_path / "s" / "figures" / "sweep.svg").stat().st_size > 1000


def test_every_criterion_required_has_a_figure_with_the_limits_of_its_tasks() -> None:
    """A task with limits of its own, and one with those of the scenario. Source: the requirement."""
    study = armsim.load(TRACK).with_plan(units=40, visits=3)
    (task,) = study.scenario.tasks
    fine = replace(task, name="fine")
    requirement = Requirement(250e-6, orientation=1e-3, tasks={"fine": TaskLimits(position=90e-6)})
    study = study.with_scenario(tasks=(task, fine), requirement=requirement)
    table = sweep(study, "joints.j2.mastering", ["5 arcsec", "40 arcsec"])
    assert table.criteria == ["position", "orientation"]
    limits = {name: {row.limit for _, row in rows} for name, rows in table.judgements_by_task("position").items()}
    assert limits == {task.name: {250e-6}, "fine": {90e-6}}
    review = sweep_review(table)
    assert [planned.name for planned in review.figures] == ["sweep", "sweep-orientation"]
    legends = [
        [text.get_text() for axes in planned.draw().axes for text in axes.get_legend().get_texts()]
        for planned in review.figures
    ]
    assert "required at fine, 90.0 µm" in legends[0]
    assert f"required at {task.name}, 250 µm" in legends[0]
    assert "required 1.00 mrad" in legends[1]
    chart = charts.sweep_chart(table.unit, table.judgements_by_task("position"), charts.Theme.of(False), table.path)
    limit_lines = [trace["y"] for trace in chart["data"] if trace.get("line", {}).get("dash")]
    assert sorted(line[0] for line in limit_lines) == pytest.approx([90.0, 250.0])  # in the unit of the axis
    assert "[µm]" in chart["layout"]["yaxis"]["title"]["text"]
    columns = [column.name for column in sweep_frame(table).columns]
    assert sum("orientation" in name for name in columns) == 1


@pytest.mark.parametrize(
    ("arguments", "fault"),
    [
        (("--sweep", "joints.j1"), "PATH=FROM..TO:COUNT"),
        (("--sweep", f"{PATH}=5um"), "FROM..TO:COUNT"),
        (("--sweep", f"{PATH}=5V..6V:2"), "eccentricity"),
        (("--sweep", "joints.j9.mastering=1arcsec..2arcsec:2"), "no joint"),
        (("--sweep", f"{PATH}=5um..6um:2", "--what-if"), "--sweep"),
    ],
)
def test_what_is_wrong_is_told_and_nothing_written(tmp_path: Path, arguments: tuple[str, ...], fault: str) -> None:
    process = invoke("run", DEMO, *arguments, "--out", tmp_path / "s")
    assert process.returncode == 2
    assert fault in process.stderr
    assert list(tmp_path.iterdir()) == []


def test_pairs_of_values_are_runs_of_both_changes() -> None:
    study = armsim.load(DEMO).with_plan(units=64, visits=2)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    other, poses = "joints.j2.mastering", study.find()
    rows, columns = ["5 um", "40 um"], ["0 arcsec", "30 arcsec"]
    actual = sweep_map(study, (PATH, other), (rows, columns), RunOptions(1))
    judgements = actual.judgements("stations", "position")
    for row, first in zip(judgements, rows, strict=True):
        for judgement, second in zip(row, columns, strict=True):
            (task,), _ = study.change({PATH: first, other: second}).judge(poses, RunOptions(1))
            assert judgement == task.summary.judgements[0]
    chart = sweep_map_chart(actual, "stations", "position", charts.Theme.of(False))
    display = max((one for row in judgements for one in row), key=lambda one: one.value).display_unit
    assert chart["data"][0]["z"] == [[display.factor * one.value for one in row] for row in judgements]
    met = sum(overall_verdict(point.tasks[0].judgements) == "met" for one in actual.sweeps for point in one.points)
    assert f"met at {met} of 4 pairs" in sweep_map_sentence(actual)
    with pytest.raises(InputError, match="the same number twice"):
        sweep_map(study, (PATH, PATH), (rows, columns), RunOptions(1))
    with pytest.raises(InputError, match="404 pairs"):
        sweep_map(study, (PATH, other), (values_of("1um..9um:4"), values_of("1arcsec..2arcsec:101")), RunOptions(1))
