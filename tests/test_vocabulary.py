"""Names are nouns of the trade, a file name has one meaning, and public code says what it takes and returns."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest
from syntax import nodes, tree

PACKAGE = Path(__file__).parent.parent / "armsim"
MODULES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted(path for path in Path(__file__).parent.rglob("*.py"))

BANNED = frozenset(
    word
    for line in (
        "own found told kept asked stands made held left taken given stated done said shown known wanted seen meant",
        "built drawn worked counted moved ranked based holding where who whose rest here there whole ask tell say says",
        "gives takes stand hold keep",
    )
    for word in line.split()
)
"""Words that tell nothing of what a name holds."""
AMBIGUOUS = frozenset(
    [
        "one",
        "beside",
        "place",
        "places",
        "alike",
        "slots",
        "tallies",
        "judged",
        "informed",
        "renewed",
        "roots",
        "bare",
        "modelled",
        "pace",
        "off",
        "over",
        "leading",
        "every",
        "chance",
        "blamed",
        "ran",
        "seat",
        "everywhere",
        "unlikely",
        "binding",
        "cent",
        "touches",
        "followed",
        "passes",
        *[
            "elsewhere",
            "concerned",
            "hanging",
            "resting",
            "soft",
            "tight",
            "either_way",
            "by_hand",
            "referred",
            "unplaced",
            "sees",
        ],
        *["at_drive", "produced", "moves_of"],
    ]
)
"""Words that named several things each in the package, or nothing; a name says which: location, pose, decimals."""
KEYS = {
    ("documents/task_documents.py", "hold"),  # a YAML key
    ("results/result.py", "stated"), ("results/summary.py", "where"), ("requirement/judgement.py", "where"),  # results.json
    ("report/boilerplate.py", "stated"),  # a part of a result
}  # fmt: skip
"""Fields whose name is a key of a file format."""

COMMANDS = {
    "allocate.py", "compare.py", "select.py", "sensitivity.py", "sweep.py", "trade_off.py", "verify.py", "what_if.py",
    "schema.py", "disclaimer.py",
}  # fmt: skip
"""File names that a command shares with what it calls."""

SECTIONED = ("physics", "model", "sampling", "criteria", "calibration", "decide")
WITHOUT_SECTIONS: dict[str, int] = {}
"""Functions of several parameters that lack Parameters or Returns: may fall, not rise."""


def names(path: Path) -> Iterator[tuple[int, str]]:
    """Line and name of every variable, parameter, field, function and class."""
    for node in nodes(path):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.lineno, node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store) and ast.unparse(node.value) == "self":
            yield node.lineno, node.attr
        elif isinstance(node, ast.arg):
            yield node.lineno, node.arg
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.lineno, node.name


def public(node: ast.Module | ast.ClassDef, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ast.stmt]]:
    """Public functions and classes with their dotted names, those within classes too."""
    for child in node.body:
        if isinstance(child, ast.FunctionDef | ast.ClassDef) and not child.name.startswith("_"):
            yield ".".join((*before, child.name)), child
            if isinstance(child, ast.ClassDef):
                yield from public(child, (*before, child.name))


def test_names_are_nouns() -> None:
    violations = []
    for path in (*MODULES, *TESTS):
        place = path.relative_to(PACKAGE.parent).as_posix()
        inside = place.removeprefix("armsim/")
        banned = BANNED | AMBIGUOUS if place.startswith("armsim/") else BANNED
        violations += [
            f"{place}:{line}: {name}"
            for line, name in names(path)
            if name.strip("_") in banned and (inside, name) not in KEYS
        ]
    assert not violations


def test_a_file_name_has_one_meaning() -> None:
    folders: dict[str, list[str]] = defaultdict(list)
    for path in MODULES:
        if path.name != "__init__.py":
            folders[path.name].append(path.relative_to(PACKAGE).parts[0])
    shared = {name: places for name, places in folders.items() if len(places) > 1}
    assert set(shared) <= COMMANDS
    assert all(len(places) == 2 and "cli" in places for places in shared.values())


def test_everything_public_is_described() -> None:
    """By a docstring of its own, or that of the method of a base class that it fills in."""
    bases: dict[str, set[str]] = defaultdict(set)
    described: set[tuple[str, str]] = set()
    for path in MODULES:
        for node in nodes(path):
            if isinstance(node, ast.ClassDef):
                bases[node.name] |= {ast.unparse(base).rpartition(".")[2] for base in node.bases}
                described |= {(node.name, part.name) for _, part in public(node) if ast.get_docstring(part)}

    def inherited(owner: str, name: str) -> bool:
        return any((base, name) in described or inherited(base, name) for base in bases.get(owner, ()))

    missing = []
    for path in MODULES:
        for name, node in public(tree(path)):
            owner, _, method = name.rpartition(".")
            if not ast.get_docstring(node) and not (owner and inherited(owner.rpartition(".")[2], method)):
                missing.append(f"{path.relative_to(PACKAGE)}:{node.lineno}: {name}")
    assert not missing


def parameters(node: ast.FunctionDef) -> set[str]:
    """Names of the parameters of a function."""
    arguments = node.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs, arguments.vararg, arguments.kwarg]
    return {one.arg for one in every if one is not None} - {"self", "cls"}


def test_functions_state_parameters_and_returns() -> None:
    lacking: dict[str, list[str]] = defaultdict(list)
    for folder in SECTIONED:
        for path in sorted((PACKAGE / folder).rglob("*.py")):
            for name, node in public(tree(path)):
                text = ast.get_docstring(node) or ""
                if not isinstance(node, ast.FunctionDef) or len(parameters(node)) < 2 or not text:
                    continue
                returns = not (isinstance(node.returns, ast.Constant) and node.returns.value is None)
                answered = not returns or "\nReturns\n---" in text or "\nYields\n---" in text
                if "\nParameters\n---" not in text or not answered:
                    lacking[folder].append(f"{path.relative_to(PACKAGE)}:{node.lineno}: {name}")
    for folder in SECTIONED:
        assert len(lacking[folder]) <= WITHOUT_SECTIONS.get(folder, 0), lacking[folder]


DESCRIBED = re.compile(r"(?:^|\n)Parameters\n-+\n(.*?)(?:\n\n[A-Z][A-Za-z ]+\n-+\n|\Z)", re.DOTALL)


def test_described_parameters_exist() -> None:
    described_nodes = [(path, *entry) for path in MODULES for entry in public(tree(path))]
    for path, name, node in described_nodes:
        section = DESCRIBED.search(ast.get_docstring(node) or "")
        if section is None:
            continue
        if isinstance(node, ast.FunctionDef):
            existing = parameters(node)
        else:
            assert isinstance(node, ast.ClassDef)
            existing = {part.target.id for part in node.body if isinstance(part, ast.AnnAssign)}  # type: ignore[union-attr]
            starts = [part for part in node.body if isinstance(part, ast.FunctionDef) and part.name == "__init__"]
            existing |= {one for start in starts for one in parameters(start)}
            if node.bases and not existing:
                continue
        heads = [line.split(" : ")[0] for line in section[1].split("\n") if line and not line.startswith(" ")]
        described = {one.strip().lstrip("*") for head in heads for one in head.split(",")}
        assert {one for one in described if one.isidentifier()} <= existing, f"{path}: {name}"


SAID = ("report", "figures", "criteria", "requirement", "decide")
"""Rooms that hold sentences for people."""
MOST_WORDS = 32
"""Words from one full stop, colon or semicolon to the next; the aim is 25."""


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string that is no docstring, with X in place of what is inserted."""
    inserted = {id(part) for node in nodes(path) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    described = {id(node.value) for node in nodes(path) if isinstance(node, ast.Expr)}
    for node in nodes(path):
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(part.value if isinstance(part, ast.Constant) else "X" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inserted | described:
            yield node.lineno, node.value


@pytest.mark.parametrize("room", SAID)
def test_sentences_are_short(room: str) -> None:
    too_long = [
        f"{path.relative_to(PACKAGE)}:{line}: {sentence}"
        for path in sorted((PACKAGE / room).glob("*.py"))
        for line, text in texts(path)
        for sentence in re.split(r"(?<=[.?])\s|[;:]\s", text)
        if len(sentence.split()) > MOST_WORDS
    ]
    assert not too_long


UNCLEAR = re.compile(
    r"\b(?:fitted|fits|what is|is known|something) otherwise|otherwise than as|\bdearest\b|\bless commanded|"
    r"\bthat (?:is|are) there\b|\bto and fro\b|\bat hand\b|\bwhereof\b|\bapart by\b|\bsquare to\b|\bleads? nowhere\b|"
    r"slip of the pen|cannot be told from|\bupside down\b|\bheld by the (?:caller|document)\b",
    re.IGNORECASE,
)
"""Turns of phrase that readers had to guess."""


def test_phrases_are_plain() -> None:
    """In docstrings, sentences and comments."""
    unclear = [
        f"{path.relative_to(PACKAGE)}:{number}: {line}"
        for path in MODULES
        if UNCLEAR.search(text := path.read_text())
        for number, line in enumerate(text.splitlines(), 1)
        if UNCLEAR.search(line)
    ]
    assert not unclear


@pytest.mark.parametrize("path", sorted((PACKAGE / "physics").glob("*.py")), ids=lambda p: p.name)
def test_what_physics_returns_is_described(path: Path) -> None:
    """`armsim explain` shows these functions: each says what it returns, also those of one parameter."""
    for name, node in public(tree(path)):
        if isinstance(node, ast.FunctionDef) and "." not in name and parameters(node):
            assert "\nReturns\n---" in (ast.get_docstring(node) or ""), name
