"""Prices by quantity and one-off costs of types: program, listing and bounds against full enumeration."""

import itertools
import json
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from spreadsheet import by_office
from support import COARSE, ROOT, few_discs, invoke, normal_joint

from armsim.decide import select, trade_off
from armsim.decide.designs import cheaper_than, fitted_encoders, least_price
from armsim.decide.option_moments import Moments
from armsim.decide.program import Program
from armsim.decide.selection import Selection
from armsim.documents.load import load_options, load_scenario
from armsim.errors import InputError
from armsim.model.joint_options import Option, Options
from armsim.model.purchase import PriceList, Purchase
from armsim.report.bill_of_materials import bill_of_materials
from armsim.report.csv_tables import write_table
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.study import Study

DEMO, CATALOGUE = ROOT / "scenarios" / "bonding-cell.yaml", ROOT / "configs" / "catalogues" / "discs.yaml"
Choice = tuple[int, ...]


def cost(options: Options, choice: Choice) -> float:
    """Price of an arm of the series. Source: an order written out, piece by piece, and divided by the arms."""
    arms, order = options.purchase.arms, 0.0
    chosen = [row[n] for row, n in zip(options.joints, choice, strict=True)]
    for encoder, pieces in Counter(option.encoder for option in chosen).items():
        fitting = sum(option.price - option.joint.encoder.price for option in chosen if option.encoder == encoder)
        order += arms * fitting
        tariff = options.purchase.price_lists.get(encoder)
        if tariff is None:
            single = next(option for option in chosen if option.encoder == encoder).joint.encoder.price
            order += arms * pieces * single
            continue
        price = 0.0
        for least, of_piece in tariff.steps:
            if arms * pieces >= least:
                price = of_piece
        order += arms * pieces * price + tariff.one_off
    return order / arms


def random_case(generator: np.random.Generator) -> Program:
    """Two to four joints, up to four types, some with steps of their price, some with one-off costs."""
    joints, arms, poses = int(generator.integers(2, 5)), int(generator.choice([1, 1, 5, 40])), 2
    price_lists, singles = {}, {}
    for n in range(4):
        singles[f"e{n}"] = price = float(generator.integers(5, 40))
        steps = [(1, price)]
        for _ in range(int(generator.integers(0, 3))):
            steps.append((steps[-1][0] + int(generator.integers(1, 2 * arms + 1)), float(generator.integers(1, 40))))
        one_off = float(arms * generator.integers(1, 30)) if generator.random() < 0.5 else 0.0
        if len(steps) > 1 or one_off:
            price_lists[f"e{n}"] = PriceList(tuple(steps), one_off)
    rows, parts = [], []
    for j in range(joints):
        row, of_joint = [], []
        for o in range(int(generator.integers(2, 5))):
            name = f"e{generator.integers(0, 4)}"
            joint = normal_joint(f"j{j}", 1e-4)
            joint = replace(joint, encoder=replace(joint.encoder, price=singles[name]))
            price = singles[name] + float(generator.integers(0, 10))
            row.append(Option(joint, name, f"m{o}", "motor", price, 0.01))
            scatter = generator.uniform(0.02, 1.0, poses)
            of_joint.append(Moments(np.zeros((poses, 3)), scatter, 0.3 * scatter, {}, np.zeros((poses, 3, 3))))
        rows.append(tuple(row))
        parts.append(of_joint)
    nothing = Moments(np.zeros((poses, 3)), np.zeros(poses), np.zeros(poses), {}, np.zeros((poses, 3, 3)))
    types = 2 if generator.random() < 0.3 else None
    options = Options(tuple(rows), {}, types=types, purchase=Purchase(arms, price_lists))
    limit, free = generator.uniform(0.3, 0.8, poses) * joints, np.full(poses, np.inf)
    return Program(options, parts, nothing, limit, free, free)


def admissible(options: Options) -> list[Choice]:
    choices = itertools.product(*(range(len(row)) for row in options.joints))
    names = ((choice, {row[n].encoder for row, n in zip(options.joints, choice, strict=True)}) for choice in choices)
    return [choice for choice, types in names if options.types is None or len(types) <= options.types]


@pytest.mark.parametrize("seed", range(150))
def test_program_listing_and_bounds_are_those_of_enumeration(seed: int) -> None:
    """Source: every choice, its order written out."""
    program = random_case(np.random.default_rng(seed))
    options = program.options
    prices = {choice: cost(options, choice) for choice in admissible(options)}
    for choice, price in prices.items():
        assert program.price(choice) == pytest.approx(price)
        assert sum(part.price for part in fitted_encoders(options, choice)) == pytest.approx(price)
        joints = options.fitted_joints([row[n] for row, n in zip(options.joints, choice, strict=True)])
        extra = sum(row[n].price - row[n].joint.encoder.price for row, n in zip(options.joints, choice, strict=True))
        assert sum(joint.price for joint in joints) + extra == pytest.approx(
            price
        )  # these joints are fitted for nothing
    loads = {choice: float(np.max(program.mean_square(choice) / program.limit)) for choice in prices}
    good = [choice for choice in prices if loads[choice] <= 1.0]
    cheapest = program.cheapest()
    assert (cheapest is None) == (not good)
    if cheapest is not None:
        assert cheapest in good
        assert prices[cheapest] == pytest.approx(min(prices[choice] for choice in good))
    middle = float(np.median(list(prices.values()))) + 1e-4
    for price_limit, least in ((middle, -np.inf), (np.inf, middle), (middle + 3.0, middle - 3.0)):
        within = [choice for choice, price in prices.items() if least <= price <= price_limit]
        nearest = program.closest(price_limit=price_limit, least_price=least)
        assert (nearest is None) == (not within)
        if nearest is not None:
            assert nearest[0] in within
            assert nearest[1] == pytest.approx(min(loads[choice] for choice in within), rel=1e-5)
    listed = cheaper_than(options, middle, 10_000)
    assert listed is not None
    cheaper = list(listed)
    assert set(cheaper) == {choice for choice, price in prices.items() if price < middle}
    map_in_order = [prices[choice] for choice in cheaper]
    assert map_in_order == sorted(map_in_order, reverse=True)
    assert least_price(options) <= min(prices.values()) + 1e-9


def test_the_cases_hold_what_they_are_made_for() -> None:
    """One-off costs and steps change the cheapest design in many of them. Source: enumeration without them."""
    changed = 0
    for seed in range(150):
        program = random_case(np.random.default_rng(seed))
        plain = replace(program.options, purchase=Purchase())
        choice = program.cheapest()
        if choice is not None:
            least = Program(
                plain,
                program.option_moments,
                program.fixed_moments,
                program.limit,
                program.visit_limit,
                program.turning_limit,
            ).cheapest()
            assert least is not None
            changed += cost(program.options, least) > cost(program.options, choice) + 1e-6
    assert changed >= 30


def small_case() -> tuple[Study, Options]:
    """Three joints of the demo with four options each, and a one-off cost of every type."""
    ready, options = load_options(DEMO, CATALOGUE)
    study = Study(ready).with_plan(units=200, visits=4)
    study = study.with_scenario(tasks=study.scenario.tasks[:1], requirement=Requirement(85e-6, 0.95))
    few = []
    for number, row in enumerate(options.joints):
        by_price = sorted(row, key=lambda option: option.price)
        few.append(tuple(by_price[:: max(1, len(row) // 4)][:4]) if number < 3 else (by_price[0],))
    names = {option.encoder: option.joint.encoder.price for row in few for option in row}
    price_lists = {name: PriceList(((1, price), (100, 0.8 * price)), 2000.0) for name, price in names.items()}
    return study, Options(tuple(few), {}, purchase=Purchase(50, price_lists))


def test_types_pay_in_a_search(tmp_path: Path) -> None:
    """The answer is the cheapest order of all designs that hold when sampled. Source: every design, sampled."""
    study, options = small_case()
    selection = select(study, options, RunOptions(1))
    pose_sets, prices = study.find(), {}
    for choice in itertools.product(*(range(len(row)) for row in options.joints)):
        joints = tuple(row[n].joint for row, n in zip(options.joints, choice, strict=True))
        machine = replace(study.scenario.machine, joints=joints)
        (task,), _ = study.with_scenario(machine=machine).judge(pose_sets, RunOptions(1))
        if task.summary.holds:
            prices[choice] = cost(options, choice)
    assert selection.price == pytest.approx(min(prices.values()))
    assert selection.proved
    assert selection.machine.price == pytest.approx(selection.price)
    assert selection.design is not None
    assert sum(part.price for part in selection.design) == pytest.approx(selection.price)
    check_bill(selection, tmp_path)
    curve = trade_off(study, options, RunOptions(1))
    assert curve.cheapest == pytest.approx(selection.price)
    for point in curve.points:
        assert sum(point.spending.values()) == pytest.approx(point.price)


def check_bill(selection: Selection, folder: Path) -> None:
    """Totals of the bill are those of the design, and LibreOffice reads them. Source: sums by hand."""
    assert selection.design is not None
    bill = bill_of_materials(selection).exact
    rows = [dict(zip(bill.header, row, strict=True)) for row in bill.rows]
    sensors, types, total = rows[: len(selection.design)], rows[len(selection.design) : -1], rows[-1]["total"]
    assert total == pytest.approx(50 * selection.price)
    assert [(row["joint"], row["type"]) for row in sensors] == [(row.joint, row.encoder) for row in selection.design]
    assert {row["quantity"] for row in sensors} == {50}
    assert {row["type"] for row in types} == {part.encoder for part in selection.design}
    assert all((row["quantity"], row["total"]) == (1, 2000.0) for row in types)
    write_table(folder / "bom.csv", bill)
    cells = by_office(folder / "bom.csv", folder)
    assert cells["bom", "A1"] == "joint"
    assert cells["bom", f"H{len(rows) + 1}"] == pytest.approx(total)


def priced(folder: Path, *changes: tuple[str, str]) -> Path:
    """The invented discs with other words."""
    text = CATALOGUE.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = folder / "discs.yaml"
    file.write_text(text)
    return file


def test_documents_to_the_written_scenario(tmp_path: Path) -> None:
    """Every type costs 600 once and is cheaper from 30 pieces on: the written scenario costs what the search says."""
    file = few_discs(tmp_path)
    price, by_quantity = "read_heads: 1, price: 12}", "read_heads: 1, price: {1: 12, 30: 7.5}, one_off: 600}"
    assert file.read_text().count(price) == 1
    file.write_text(file.read_text().replace(price, by_quantity))
    chosen = tmp_path / "chosen.yaml"
    sizes = ["--units", "100", "--visits", "2", "--set", "requirement.position=400um", *COARSE]
    process = invoke("select", DEMO, "--catalogue", file, "--arms", "20", "--write", chosen, "--json", *sizes)
    assert process.returncode in (0, 4), process.stderr
    record = json.loads(process.stdout)
    cheap = [part for part in record["design"] if part["encoder"] == "disc 13 128"]
    assert len(cheap) >= 2  # 20 arms: 40 pieces at least
    assert all(part["encoder_price"] == 7.5 for part in cheap)
    assert sum(part["one_off"] for part in cheap) == pytest.approx(600 / 20)
    assert record["arms"] == 20
    machine = load_scenario(chosen).machine
    assert machine.price == pytest.approx(record["price"])
    assert machine.prices["types, once"] == pytest.approx(30.0)
    words = invoke("select", DEMO, "--catalogue", file, "--arms", "20", *sizes).stdout
    assert f"an arm of 20, {20 * record['price']:g} for all, 600 of it once" in words
    assert f" {cheap[0]['price']:.2f} " in words  # shares of costs to the hundredth


@pytest.mark.parametrize(
    ("price", "finding"),
    [
        ("price: {10: 12}", "no price of a single piece"),
        ("price: {1: 12, 10: -3}", "from 10 pieces on -3 is not accepted"),
        ("price: {1: 12, 2.5: 3}", "'2.5' pieces"),
        ("price: {0: 12}", "'0' pieces"),
        ("price: cheap", "'cheap' is not accepted"),
        ("price: 12, one_off: -1", "-1 is not accepted"),
    ],
)
def test_a_wrong_price_is_named(tmp_path: Path, price: str, finding: str) -> None:
    file = priced(tmp_path, ("read_heads: 1, price: 12}", f"read_heads: 1, {price}}}"))
    with pytest.raises(InputError) as caught:
        load_options(DEMO, file)
    assert finding in str(caught.value)
    assert f"{file}:10:" in str(caught.value)


def test_a_wrong_number_of_arms_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="arms: 0 is not accepted; accepted: a whole number from 1"):
        load_options(DEMO, priced(tmp_path, ("kind: catalogue\n", "kind: catalogue\narms: 0\n")))
