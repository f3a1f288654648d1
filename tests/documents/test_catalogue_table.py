"""A catalogue as a table: the same encoders as in YAML, every doubt told, every fault with file, row and column."""

from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from support import COARSE, ROOT, invoke

import armsim
from armsim.documents.load import check_file, load_encoders, load_options, load_scenario
from armsim.documents.table_columns import table_columns
from armsim.documents.write_catalogue import catalogue_text
from armsim.errors import InputError
from armsim.model.encoder import Encoder

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
GOOD = """\
name;measures;resolution [bit];Accuracy (arcsec);repeatability/arcsec;track_diameter_mm;latency [us];price;price from 100;one-off cost;interface;stock
ring 60;rotation;22;12,5;1;52;10;120;95;1500;serial synchronous;40
ring 80;rotation;23;±8;0,6;70;5;210;180;0;incremental sine;7
"""
YAML = """\
kind: catalogue
name: rings
encoders:
  - stock: 40
    encoder: {interface: serial synchronous, kind: encoder, name: ring 60, measures: rotation, resolution: 22 bit, track_diameter: 52 mm,
      summary: {accuracy: 12.5 arcsec, repeatability: 1 arcsec}, timing: {latency: 10 us},
      price: {1: 120, 100: 95}, one_off: 1500}
  - stock: 7
    encoder: {interface: incremental sine, kind: encoder, name: ring 80, measures: rotation, resolution: 23 bit, track_diameter: 70 mm,
      summary: {accuracy: ±8 arcsec, repeatability: 0.6 arcsec}, timing: {latency: 5 us},
      price: {1: 210, 100: 180}, one_off: 0}
"""
"""The same, written by hand."""


def table(folder: Path, text: str = GOOD, name: str = "rings.csv") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_a_table_is_the_catalogue_that_yaml_states(tmp_path: Path) -> None:
    """Source: the same catalogue written by hand."""
    source, encoders = load_encoders(table(tmp_path))
    by_hand, same = load_encoders(table(tmp_path, YAML, "rings.yaml"))
    assert encoders == same
    for entry, other in zip(source.data["encoders"], by_hand.data["encoders"], strict=True):
        assert entry["stock"] == other["stock"]
    assert source.remarks == ()
    assert check_file(source.path).name == "rings"


def test_a_workbook_is_read_like_the_table(tmp_path: Path) -> None:
    """Numbers as numbers, on the first sheet. Source: the table."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for line in GOOD.replace(",", ".").splitlines():
        cells = [float(cell) if cell.replace(".", "").isdigit() else cell for cell in line.split(";")]
        book.active.append(cells)
    book.create_sheet("notes").append(["not read"])
    book.save(tmp_path / "rings.xlsx")
    assert load_encoders(tmp_path / "rings.xlsx")[1] == load_encoders(table(tmp_path))[1]


def test_a_table_serves_wherever_a_catalogue_does(tmp_path: Path) -> None:
    """In a search, where every joint keeps its mounting and placement, and in a reference of a scenario."""
    file = table(tmp_path)
    ready, options = load_options(DEMO, file)
    for joint, row in zip(ready.machine.joints, options.joints, strict=True):
        assert {option.encoder for option in row} == {"ring 60", "ring 80"}
        assert all(option.joint.mounting == joint.mounting for option in row)
        assert all(option.joint.placement == joint.placement for option in row)
        assert {option.mounting for option in row} == {"as it is"}
    assert options.stock == {"ring 60": 40, "ring 80": 7}
    assert options.purchase.price_lists["ring 60"].steps == ((1, 120.0), (100, 95.0))
    process = invoke("check", DEMO, "--set", f"joints.j2.encoder={file}#ring 80", "--json")
    assert process.returncode == 0, process.stderr
    chosen = tmp_path / "chosen.yaml"
    sizes = ["--units", "60", "--visits", "2", "--set", "requirement.position=1 mm", *COARSE]
    process = invoke("select", DEMO, "--catalogue", file, "--write", chosen, *sizes)
    assert process.returncode in (0, 4), process.stderr
    chosen_joints = load_scenario(chosen).machine.joints
    assert {joint.encoder.name for joint in chosen_joints} == {"ring 80"}  # 6 x 210 < 6 x 120 + 1500


def test_the_import_writes_the_same_catalogue(tmp_path: Path) -> None:
    file, out = table(tmp_path), tmp_path / "written.yaml"
    process = invoke("catalogue", file, "--write", out)
    assert process.returncode == 0, process.stderr
    assert "no doubts" in process.stdout
    assert load_encoders(out)[1] == load_encoders(file)[1]
    assert yaml.safe_load(out.read_text())["encoders"] == load_encoders(file)[0].data["encoders"]
    assert invoke("catalogue", file, "--write", out).returncode == 2  # nothing is replaced
    process = invoke("catalogue", out, "--write", tmp_path / "other.yaml")
    assert process.returncode == 2  # nothing is lost: a catalogue in YAML may have mountings and limits
    assert "--write: is not a table; accepted: a table, CSV or XLSX" in process.stderr


def test_every_doubt_is_told(tmp_path: Path) -> None:
    text = "name,acuracy [arcsec],resolution,latency [us],track diameter [mm],colour\nring,5,20,,40,red\ndisc,,18 bit,3,30,\n"
    file = table(tmp_path, text)
    process = invoke("catalogue", file)
    assert process.returncode == 0, process.stderr
    for doubt in (
        "column 'acuracy [arcsec]' is not read: it is no key of an encoder; did you mean 'accuracy'?",
        "column 'colour' is not read",
        "column 'resolution' states no unit: bit is assumed",
        "column 'latency [us]' states nothing in row 2",
        "no column 'measures': all are taken to measure rotation",
    ):
        assert doubt in process.stdout
    assert process.stdout.count("doubt ") == 5
    ready, _ = load_options(DEMO, file)
    assert sum("rings.csv: " in note for note in ready.notes) == 5  # told by a search too
    assert "states no unit" in invoke("check", file).stderr


def test_a_track_that_is_assumed_is_a_doubt(tmp_path: Path) -> None:
    """An outer diameter is that of the part: the radius of its track is not stated, and lies between bore and rim."""
    header = "name,measures,resolution [bit],outer diameter [mm],inner diameter [mm],track diameter [mm]\n"
    rows = "a,rotation,20,60,20,52\nb,rotation,20,60,20,-\nc,rotation,20,60,56,-\n"
    source, (wide, disc, narrow) = load_encoders(table(tmp_path, header + rows))
    doubts = [remark for remark in source.remarks if "assumed" in remark]
    assert doubts == [
        "rings.csv: column 'outer diameter [mm]' is the size of the part: where no radius of the track is stated, it "
        "is assumed to be 0.85 of that size, outside the bore, in rows 3, 4"
    ]
    radii = [encoder.track_radius for encoder in (wide, disc, narrow)]
    assert radii == pytest.approx([26e-3, 0.85 * 30e-3, 28e-3])
    with pytest.raises(InputError, match=r"rings\.csv:2:5: inner diameter \[mm\]: bore 60 mm"):
        load_encoders(table(tmp_path, header + "a,rotation,20,60,60,-\n"))


@pytest.mark.parametrize(
    ("text", "place", "finding", "accepted"),
    [
        ("", "1:1: header:", "an empty table", "name, resolution [bit]"),
        ("resolution [bit]\n20\n", "1:1: header:", "no column 'name'", "name, resolution [bit]"),
        ("name,resolution [bit]\n", "1:1:", "no encoder", "one encoder a row"),
        ("name,resolution [kg]\na,20\n", "1:2: resolution [kg]:", "'kg' is not a unit of bits", "[bit]"),
        ("name,price [mm]\na,20\n", "1:2: price [mm]:", "'mm' is not a unit", "price, without a unit"),
        ("name,resolution [bit],resolution [bit]\na,20,20\n", "1:3: header:", "two columns", "one of them"),
        ("name,resolution [bit]\na,20\nb,twenty\n", "3:2: resolution [bit]:", "'twenty' is not a number", "bits"),
        ("name,resolution [bit]\na,20\n,21\n", "3:1: name:", "nothing", "a name for every encoder"),
        ("name,resolution [bit]\na,20\na,21\n", "3:1: a:", "two encoders named 'a'", "each name once"),
        ("name,resolution [bit]\na,20,7\n", "2:3:", "3 values", "2; text with the separator in quotes"),
        ("name,resolution [bit],lines\na,20,12.5\n", "2:3: lines:", "12.5 is not accepted", "a whole number"),
        ("name,resolution [bit],price\na,20,dear\n", "2:3: price:", "'dear' is not accepted", "cost units"),
        ("name,resolution [bit],price from 10\na,20,5\n", "2:3: price from 10:", "no price of a single", "from 1 on"),
        ("name,resolution [bit],accuracy [arcsec]\na,20,-3\n", "2:3: accuracy [arcsec]:", "too small", "at least 0"),
        ("name,resolution [bit],accuracy [um]\na,20,3\n", "2:3: accuracy [um]:", "length where angle", "arcsec"),
        ("name,measures,resolution [bit]\na,sideways,20\n", "2:2: measures:", "'sideways'", "'rotation'"),
        ("name,price\na,20\n", "2:1: a: resolution:", "is missing", "the resolution"),
        ("name,latency [us],timing latency [ms]\na,2,3\n", "2:3: timing latency [ms]:", "beside latency", "one"),
        ("name,resolution [bit]\na\x07,20\n", "2:1: name:", "U+0007", "characters that show"),
    ],
)  # fmt: skip
def test_a_fault_is_told_by_row_and_column(tmp_path: Path, text: str, place: str, finding: str, accepted: str) -> None:
    file = table(tmp_path, text)
    for process in (invoke("check", file), invoke("select", DEMO, "--catalogue", file)):
        assert process.returncode == 2
        errors = [line for line in process.stderr.splitlines() if line.startswith("error:")]
        assert len(errors) == 1
        assert errors[0].startswith(f"error: {file}:{place}")
        assert finding in errors[0]
        assert accepted in errors[0].partition("accepted: ")[2]


def test_a_catalogue_names_a_table_in_place_of_its_list(tmp_path: Path) -> None:
    """Mountings and limits in YAML, encoders in the table beside it; both files are told of. Source: the table."""
    (tmp_path / "parts").mkdir()
    file, rings = tmp_path / "shop.yaml", table(tmp_path / "parts")
    file.write_text(
        "kind: catalogue\nname: shop\nencoders: parts/rings.csv\nplacements: {motor: 0, output: 20}\n"
        "mountings: [{name: fine, price: 3, mounting: {eccentricity: 5 um}}]\nlimits: {types: 1}\n"
    )
    assert load_encoders(file)[1] == load_encoders(rings)[1]
    ready, options = load_options(DEMO, file)
    assert {file, rings} <= {source.path for source in ready.sources}
    assert {(option.mounting, option.placement) for option in options.joints[0]} == {
        ("fine", "motor"),
        ("fine", "output"),
    }
    chosen = tmp_path / "chosen.yaml"
    sizes = ["--units", "60", "--visits", "2", "--set", "requirement.position=1 mm", *COARSE]
    process = invoke("select", DEMO, "--catalogue", file, "--write", chosen, *sizes)
    assert process.returncode in (0, 4), process.stderr
    study = load_scenario(chosen)
    assert {joint.encoder.name for joint in study.machine.joints} == {"ring 80"}
    assert {file.name, rings.name} <= {source.path.name for source in study.sources}
    rings.write_text(GOOD.replace(";23;", ";many;"))
    process = invoke("check", file)
    assert process.returncode == 2
    assert f"{rings}:3:3: resolution [bit]: 'many' is not a number" in process.stderr
    rings.unlink()
    assert f"{file}:3:1: encoders: file not found" in invoke("check", file).stderr


def test_more_encoders_than_a_catalogue_holds_end_the_reading(tmp_path: Path) -> None:
    rows = "".join(f"e{n},20\n" for n in range(1001))
    with pytest.raises(InputError, match=r"rings\.csv:1002:1: more than 1000 encoders"):
        check_file(table(tmp_path, f"name,resolution [bit]\n{rows}"))


def test_what_is_no_workbook_is_refused(tmp_path: Path) -> None:
    (tmp_path / "rings.xlsx").write_bytes(b"PK\x03\x04 no archive")
    with pytest.raises(InputError, match="no workbook that can be read"):
        check_file(tmp_path / "rings.xlsx")


def test_every_key_of_an_encoder_that_holds_one_value_is_a_column() -> None:
    """Source: the keys of encoder files, read from the schema."""
    from armsim.documents.schema import document_schema

    properties = document_schema("encoder")["properties"]
    paths = {column.path[1] for column in table_columns().values() if column.path[0] == "encoder"}
    lists = {"misalignment_errors", "read_head_angles", "error_curves", "kind"}
    assert paths == set(properties) - lists


PERIODS = {
    "name": "fine: 1", "measures": "rotation", "signal periods": "1024", "interpolation [bit]": "12",
    "track radius [mm]": "26", "track diameter [mm]": "52", "outer diameter [mm]": "60", "sensing window [mm]": "2",
    "light cone [deg]": "3", "graduation error [arcsec]": "4", "signal offset [%]": "1", "signal noise [%]": "0.1",
    "signal amplitude mismatch [%]": "0.5", "signal phase error [deg]": "0.4", "signal third harmonic [%]": "0.3",
    "signal third harmonic order": "2", "signal averages": "4", "signal offset drift [%/K]": "0.01",
    "hysteresis [arcsec]": "1", "corrections signal [%]": "50", "corrections eccentricity [%]": "40",
    "corrections latency [%]": "30", "timing latency [us]": "5", "jitter [us]": "0.1", "drift [arcsec/K]": "0.1",
    "read heads": "2", "absolute periods": "64", "absolute radius [mm]": "20", "absolute error [%]": "5",
    "max speed [rpm]": "6000", "max frequency [kHz]": "500", "mass [g]": "120", "inner diameter [mm]": "20",
    "length [mm]": "15", "shaft": "hollow", "operating temperature min [degC]": "-20", "max temperature [degC]": "85",
    "protection": "IP64", "cable": "1e3", "function": "absolute multi-turn", "turns by": "battery",
    "interface": "null", "family": "f 1", "safety channels": "2", "price": "10", "price from 100": "8", "one off": "100", "stock": "0",
}  # fmt: skip
RINGS = {
    **{key: PERIODS[key] for key in ("measures", "track radius [mm]", "price", "stock", "interface")},
    "name": "- ring #2", "resolution [bit]": "20", "summary resolution [bit]": "20", "summary accuracy [arcsec]": "12",
    "repeatability [arcsec]": "1", "sub divisional error [arcsec]": "1", "noise [arcsec]": "0.5",
    "noise bandwidth [kHz]": "100", "used bandwidth [kHz]": "10", "homing [arcsec]": "20", "lines": "512", "poles": "1024", "pole pairs": "512",
}  # fmt: skip
TAPE = {
    "name": "tape", "measures": "translation", "signal period [um]": "20", "interpolation [bit]": "10",
    "expansion [ppm/K]": "8", "slope error [um/m]": "5", "summary accuracy [um]": "5", "price": "7",
}  # fmt: skip
STATED_TWICE = (
    "measures",
    "resolution",
    "summary resolution",
    "lines",
    "poles",
    "pole pairs",
    "track diameter",
    "track radius",
    "stock",
)
"""Columns of which another one, or what is assumed, says the same."""
NEEDED = ("name", "measures", "signal", "absolute", "operating", "max", "noise", "function", "price", "interpolation")
"""First words of columns without which others mean nothing."""


@pytest.mark.parametrize("row", [PERIODS, RINGS, TAPE], ids=["periods", "rings", "tape"])
def test_no_column_is_lost_on_the_way(tmp_path: Path, row: dict[str, str]) -> None:
    """A column that is left out makes another encoder; the whole one is read back from YAML and from a chosen design.
    Source: the encoder that was read from the table."""

    def encoder_of(columns: dict[str, str]) -> Encoder:
        lines = (";".join(columns), ";".join(columns.values()))
        return load_encoders(table(tmp_path, "\n".join(lines)))[1][0]

    encoder = encoder_of(row)
    for column in row:
        others = {key: value for key, value in row.items() if key != column}
        if column.partition(" [")[0] not in STATED_TWICE:
            try:
                assert encoder_of(others) != encoder, column
            except InputError:
                assert column.split()[0] in NEEDED
    file = tmp_path / "rings.csv"
    encoder_of(row)
    source, _ = load_encoders(file)
    written = tmp_path / "written.yaml"
    written.write_text(catalogue_text(source))
    assert load_encoders(written)[1] == [encoder]
    for catalogue in (file, written):
        reference = {"joints.j1.encoder": f"{catalogue}#{encoder.name}"}
        if encoder.rotary:
            chosen = armsim.load(DEMO).change(reference)
            assert chosen.scenario.machine.joints[0].encoder == encoder
            dearer = chosen.change({"joints.j1.encoder.price": 77})
            assert (
                replace(dearer.scenario.machine.joints[0].encoder, price=10, price_steps=encoder.price_steps) == encoder
            )


def test_every_column_is_in_the_rows_that_are_read_back() -> None:
    columns = {" ".join(column.partition(" [")[0].split()) for row in (PERIODS, RINGS, TAPE) for column in row}
    paths = {table_columns()[name].path for name in columns if name in table_columns()}
    assert paths == {column.path for column in table_columns().values()}
