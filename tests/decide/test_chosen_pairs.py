"""Both sensors of a joint chosen from the catalogue: prices, limits and the choice against full enumeration."""

import itertools
import json
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import invoke, normal_joint
from test_second_sensor import ARM, CATALOGUE, ENCODERS, SCENARIO, disc

import armsim
from armsim.decide.designs import cheaper_than, fitted_encoders, least_price
from armsim.decide.option_moments import Moments
from armsim.decide.program import Program
from armsim.documents.load import load_options
from armsim.errors import InputError
from armsim.model.joint_options import EncoderAtJoint, Option, Options
from armsim.model.purchase import PriceList, Purchase

Choice = tuple[int, ...]
TYPES = ("e0", "e1", "e2", "e3")


def random_case(generator: np.random.Generator) -> Program:
    """Two to four joints; about half of the options have a second sensor on the motor, of the same list."""
    joints, arms, poses = int(generator.integers(2, 5)), int(generator.choice([1, 1, 4, 25])), 2
    singles = {name: float(generator.integers(5, 40)) for name in TYPES}
    price_lists = {}
    for name, price in singles.items():
        steps = [(1, price)]
        for _ in range(int(generator.integers(0, 3))):
            steps.append((steps[-1][0] + int(generator.integers(1, 2 * arms + 1)), float(generator.integers(1, 40))))
        one_off = float(arms * generator.integers(1, 30)) if generator.random() < 0.4 else 0.0
        if len(steps) > 1 or one_off:
            price_lists[name] = PriceList(tuple(steps), one_off)
    rows, parts = [], []
    for j in range(joints):
        row, of_joint = [], []
        for o in range(int(generator.integers(2, 6))):
            name, second = (TYPES[n] for n in generator.integers(0, 4, 2))
            joint = normal_joint(f"j{j}", 1e-4)
            joint = replace(joint, encoder=replace(joint.encoder, name=name, price=singles[name]))
            price, mass, motor = singles[name] + float(generator.integers(0, 10)), 0.01, ""
            if generator.random() < 0.5:
                motor, price, mass = second, price + singles[second], 0.02
                joint = replace(joint, motor_encoder=replace(joint.encoder, name=second, price=singles[second]))
            row.append(Option(joint, name, f"m{o}", "both" if motor else "output", price, mass, False, motor))
            scatter = generator.uniform(0.02, 1.0, poses)
            of_joint.append(Moments(np.zeros((poses, 3)), scatter, 0.3 * scatter, {}, np.zeros((poses, 3, 3))))
        rows.append(tuple(row))
        parts.append(of_joint)
    pairs: tuple[tuple[EncoderAtJoint, EncoderAtJoint], ...] = ()
    if generator.random() < 0.3:
        first, second = (TYPES[n] for n in generator.integers(0, 4, 2))
        pairs = (((None, first), (None, second)),)
    options = Options(
        tuple(rows), {"e1": int(generator.integers(1, 3))} if generator.random() < 0.3 else {},
        0.015 * joints if generator.random() < 0.3 else None, 2 if generator.random() < 0.3 else None,
        forbidden_pairs=pairs, purchase=Purchase(arms, price_lists),
    )  # fmt: skip
    nothing = Moments(np.zeros((poses, 3)), np.zeros(poses), np.zeros(poses), {}, np.zeros((poses, 3, 3)))
    free = np.full(poses, np.inf)
    return Program(options, parts, nothing, generator.uniform(0.3, 0.8, poses) * joints, free, free)


def sensors(options: Options, choice: Choice) -> list[str]:
    """Every encoder of a choice, one entry a piece."""
    chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
    return [name for option in chosen for name in (option.encoder, option.motor_encoder) if name]


def cost(options: Options, choice: Choice) -> float:
    """Price of an arm of the series. Source: an order written out, type by type, and divided by the arms."""
    arms, order = options.purchase.arms, 0.0
    for row, n in zip(options.joints, choice, strict=True):
        joint = row[n].joint
        of_motor = joint.motor_encoder.price if joint.motor_encoder is not None else 0.0
        order += arms * (row[n].price - joint.encoder.price - of_motor)  # fitting
    single = {
        encoder.name: encoder.price
        for row in options.joints
        for option in row
        for encoder in (option.joint.encoder, option.joint.motor_encoder)
        if encoder is not None
    }
    for name, pieces in Counter(sensors(options, choice)).items():
        price_list = options.purchase.price_lists.get(name)
        price = single[name]
        for least, at_least in () if price_list is None else price_list.steps:
            price = at_least if arms * pieces >= least else price
        order += arms * pieces * price + (0.0 if price_list is None else price_list.one_off)
    return order / arms


def keeps_limits(options: Options, choice: Choice) -> bool:
    """Source: the words themselves; a sensor is a piece of its type, whichever side of the gear it is on."""
    names = sensors(options, choice)
    pieces = Counter(names)
    if any(pieces[name] > stock for name, stock in options.stock.items()):
        return False
    if options.types is not None and len(pieces) > options.types:
        return False
    if options.mass is not None and 0.01 * len(names) > options.mass + 1e-9:
        return False
    return not any(
        first != second and (names[first], names[second]) == (pair[0][1], pair[1][1])
        for pair in options.forbidden_pairs
        for first in range(len(names))
        for second in range(len(names))
    )


@pytest.mark.parametrize("seed", range(120))
def test_program_listing_and_bounds_are_those_of_enumeration(seed: int) -> None:
    program = random_case(np.random.default_rng(seed))
    options = program.options
    prices = {}
    for choice in itertools.product(*(range(len(row)) for row in options.joints)):
        chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
        assert options.admits(chosen) == keeps_limits(options, choice)
        if keeps_limits(options, choice):
            prices[choice] = cost(options, choice)
    for choice, price in prices.items():
        chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
        assert program.price(choice) == pytest.approx(price)
        assert sum(part.price for part in fitted_encoders(options, choice)) == pytest.approx(price)
        encoders_alone = [option.joint.encoders_price for option in chosen]
        fitting = sum(option.price for option in chosen) - sum(encoders_alone)
        assert sum(joint.price for joint in options.fitted_joints(chosen)) + fitting == pytest.approx(price)
    loads = {choice: float(np.max(program.mean_square(choice) / program.limit)) for choice in prices}
    good = [choice for choice in prices if loads[choice] <= 1.0]
    cheapest = program.cheapest()
    assert (cheapest is None) == (not good)
    if cheapest is not None:
        assert prices[cheapest] == pytest.approx(min(prices[choice] for choice in good))
    middle = float(np.median(list(prices.values()) or [0.0])) + 1e-4
    nearest = program.closest(price_limit=middle, least_price=-np.inf)
    within = [choice for choice, price in prices.items() if price <= middle]
    assert (nearest is None) == (not within)
    if nearest is not None:
        assert nearest[1] == pytest.approx(min(loads[choice] for choice in within), rel=1e-5)
    listed = cheaper_than(options, middle, 10_000)
    assert listed is not None
    assert set(listed) == {choice for choice, price in prices.items() if price < middle}
    assert least_price(options) <= min(prices.values(), default=np.inf) + 1e-9


def test_the_cases_hold_what_they_are_made_for() -> None:
    """In many of them the cheapest design has a second sensor, and limits forbid designs."""
    with_second, limited = 0, 0
    for seed in range(120):
        program = random_case(np.random.default_rng(seed))
        options = program.options
        choice = program.cheapest()
        if choice is not None:
            with_second += len(sensors(options, choice)) > len(choice)
        all_choices = itertools.product(*(range(len(row)) for row in options.joints))
        limited += not all(keeps_limits(options, choice) for choice in all_choices)
    assert with_second > 40
    assert limited > 40


MOTION = "motion: {sample_time: 1 ms, joints: {j1: {speed: 6 deg/s}, j2: {speed: 6 deg/s}}}\n"
COARSE_DISC = (
    "{kind: encoder, name: counter, measures: rotation, price: {1: 4, 3: 2}, one_off: 5, "
    "summary: {resolution: 9 bit, accuracy: 400 arcsec, repeatability: 60 arcsec}, noise: 40 arcsec}"
)
PAIRS = CATALOGUE.replace("encoders: [", f"encoders: [{{encoder: {COARSE_DISC}}}, ").replace(
    "name: shop\n", "name: shop\nmotor_encoders: [counter, middle]\n"
)

SHORT_LIST = ("counter", "coarse", "middle")


def written(folder: Path, catalogue: str = PAIRS, scenario: str = SCENARIO) -> Path:
    texts = {"arm": ARM, "scenario": scenario.replace("requirement:", MOTION + "requirement:"), "catalogue": catalogue}
    for name, text in texts.items():
        (folder / f"{name}.yaml").write_text(text)
    return folder / "scenario.yaml"


def series_price(names: list[str]) -> float:
    """Price of the discs of one arm, by the sheets above."""
    pieces = Counter(names)
    listed = sum(ENCODERS[name][0] * number for name, number in pieces.items() if name != "counter")
    return listed + (pieces["counter"] * (2 if pieces["counter"] >= 3 else 4) + 5 if pieces["counter"] else 0)


@pytest.mark.parametrize(("position", "ripple"), [(60, None), (60, 0.5)])
def test_the_cheapest_pair_is_that_of_every_run(tmp_path: Path, position: int, ripple: float | None) -> None:
    """Source: every design as a change of the documents, run by itself; its price written out."""
    catalogue = PAIRS.replace(f", {{encoder: {disc('fine')}}}", "")
    scenario, out = written(tmp_path, catalogue), tmp_path / "chosen.yaml"
    required = {"requirement.position": f"{position} um", "requirement.velocity_ripple": ripple and f"{ripple:g} %"}
    changed = {path: value for path, value in required.items() if value is not None}
    study = armsim.load(scenario).change(changed)
    fits = [(name, place, None) for name in SHORT_LIST for place in ("motor", "output")]
    fits += [(name, "both", motor) for name in SHORT_LIST for motor in ("counter", "middle")]
    second_fits = [fit for fit in fits if fit[1] == "both"]  # a joint with two sensors keeps two
    prices = {"motor": 0, "output": 5, "both": 3}
    priced = []
    for chosen in itertools.product(fits, second_fits):
        names = [name for fit in chosen for name in (fit[0], fit[2]) if name is not None]
        priced.append((20 + 5 + series_price(names) + sum(prices[place] for _, place, _ in chosen), chosen))
    best: dict[object, float] = {}
    for price, chosen in sorted(priced, key=lambda row: row[0]):
        if best and price > min(best.values()):
            break
        changes: dict[str, dict[str, str]] = {}
        for joint, (name, place, motor) in zip(("j1", "j2"), chosen, strict=True):
            changes[joint] = {"encoder": f"catalogue.yaml#{name}", "placement": place}
            if motor is not None:
                changes[joint]["motor_encoder"] = f"catalogue.yaml#{motor}"
        result = study.change(joints=changes).run(1)
        if all(judgement.holds for _, judgement in result.named_judgements):
            best[chosen] = price
    words = [part for path, value in changed.items() for part in ("--set", f"{path}={value}")]
    process = invoke("select", scenario, "--catalogue", tmp_path / "catalogue.yaml", *words, "--write", out, "--json")
    record = json.loads(process.stdout)
    if not best:
        assert process.returncode == 1
        return
    assert process.returncode in (0, 4), process.stderr
    assert record["price"] == pytest.approx(min(best.values()))
    fitted = tuple(
        (part["encoder"], part["placement"], part["motor"]["encoder"] if part["motor"] else None)
        for part in record["design"][1:]
    )
    assert best[fitted] == pytest.approx(record["price"])
    read_back = armsim.load(out)
    assert read_back.run(1).price == pytest.approx(record["price"])
    motor = read_back.scenario.machine.joints[2].motor_encoder
    assert motor is not None
    assert motor.name == fitted[1][2]


def test_the_sensor_on_the_motor_keeps_its_needs(tmp_path: Path) -> None:
    """What does not fit on the motor is listed with the reason; functions that the position loop needs it does not."""
    needs = "    needs: {absolute: single-turn, motor: {diameter: 30 mm}}\n    placement: both\n"
    catalogue = PAIRS.replace(
        f"{{encoder: {disc('middle')}}}", f"{{diameter: 40 mm, encoder: {disc('middle')}}}"
    ).replace(f"{{encoder: {COARSE_DISC}}}", f"{{diameter: 25 mm, encoder: {COARSE_DISC}}}")
    catalogue = catalogue.replace("summary:", "function: absolute single-turn, summary:", 3)
    scenario = written(tmp_path, catalogue, SCENARIO.replace("    placement: both\n", needs))
    _, options = load_options(scenario, tmp_path / "catalogue.yaml")
    assert {option.motor_encoder for option in options.joints[2]} == {"counter"}
    excluded = [row for row in options.exclusions if row.joint == "j2" and row.placement == "both, on the motor"]
    assert [(row.encoders, row.reason, row.of) for row in excluded] == [
        (("middle",), "outer diameter of at most 30 mm needed", 2)
    ]


@pytest.mark.parametrize(
    ("before", "after", "key", "finding"),
    [
        ("[counter, middle]", "[countr, middle]", "motor_encoders.0", "no encoder named 'countr'"),
        (", both: 3", "", "motor_encoders", "placement both is not priced"),
        ("[counter, middle]", f"[{'tape'}]", "encoders", "measures translation"),
    ],
)
def test_a_wrong_list_is_refused(tmp_path: Path, before: str, after: str, key: str, finding: str) -> None:
    scenario = written(tmp_path, PAIRS.replace(before, after))
    with pytest.raises(InputError) as error:
        load_options(scenario, tmp_path / "catalogue.yaml")
    assert finding in str(error.value)
    assert key in str(error.value)


def test_the_bill_has_both(tmp_path: Path) -> None:
    """Source: the sums of the rows, and what the type costs once."""
    scenario = written(tmp_path)
    words = ("--catalogue", tmp_path / "catalogue.yaml", "--out", tmp_path / "out", "--arms", "10")
    process = invoke("select", scenario, *words)
    assert process.returncode in (0, 4), process.stderr
    rows = [line.split(",") for line in (tmp_path / "out" / "bom.csv").read_text().splitlines()]
    motors = [row for row in rows if row[2] == "motor" and row[3] == ""]
    assert motors
    assert any(row[0] == "one-off costs" and row[1] == "counter" for row in rows)
    record = json.loads((tmp_path / "out" / "results.json").read_text())
    assert float(rows[-1][-1]) == pytest.approx(10 * record["price"])
