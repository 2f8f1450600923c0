"""The shape of the code: imports point one way, files are opened in one place."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Sequence
from functools import cache
from graphlib import TopologicalSorter
from itertools import chain
from pathlib import Path

from blindspoon.examine import explanations

SRC = Path(__file__).parents[1] / "src" / "blindspoon"
DATA = Path(__file__).parent / "data"

# A module may import from those before it, and from its own package.
ORDER = (
    "version", "verify", "errors", "arrays", "stats", "trial", "files", "scores", "serving",
    "wording", "batches", "findings", "charts", "simulate", "writeup", "analysis",
    "sheets", "packing", "collect", "stage", "starting", "examine", "planning",
    "drawing", "lifting", "api", "workbench", "cli", "__main__",
)  # fmt: skip
MODULES = sorted(SRC.rglob("*.py"))


def layer(parts: Sequence[str]) -> int:
    return ORDER.index(parts[0].removesuffix(".py"))


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes(path: Path) -> list[ast.AST]:
    return list(ast.walk(tree(path)))


@cache
def imports(path: Path) -> set[str]:
    """Every blindspoon module that a file imports, at any depth of the code."""
    found: set[str] = set()
    for node in nodes(path):
        if (
            isinstance(node, ast.ImportFrom)
            and node.module
            and node.module.startswith("blindspoon")
        ):
            found |= {node.module} | {f"{node.module}.{name.name}" for name in node.names}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names if name.name.startswith("blindspoon")}
    return found


@cache
def calls(path: Path) -> set[str]:
    functions = [node.func for node in nodes(path) if isinstance(node, ast.Call)]
    names = {each.id for each in functions if isinstance(each, ast.Name)}
    return names | {each.attr for each in functions if isinstance(each, ast.Attribute)}


def test_imports_point_one_way():
    front = SRC / "__init__.py"  # it is above all others; none of them imports from it
    for path in set(MODULES) - {front}:
        own = layer(path.relative_to(SRC).parts)
        for name in imports(path) - {"blindspoon"}:
            assert layer(name.split(".")[1:]) <= own, f"{path} imports {name}"


@cache
def floors(room: str) -> int:
    """How many rooms of `ORDER` lie one under the other from this one down."""
    inside = [*(SRC / room).rglob("*.py"), *SRC.glob(f"{room}.py")]
    below = {name.split(".")[1] for path in inside for name in imports(path) - {"blindspoon"}}
    return 1 + max((floors(name) for name in below - {room}), default=0)


def test_the_house_has_twelve_floors_at_most():
    assert max(floors(room) for room in ORDER) <= 12


def test_no_files_import_each_other():
    """Not for types alone either: what two files need of each other belongs in a third."""
    dotted = {
        path: ".".join(("blindspoon", *path.relative_to(SRC).with_suffix("").parts))
        for path in MODULES
        if path.stem != "__init__"
    }
    below = {name: imports(path) & set(dotted.values()) for path, name in dotted.items()}
    assert set(TopologicalSorter(below).static_order()) == set(dotted.values())


def test_procedures_know_arrays_only():
    for path in (SRC / "stats").glob("*.py"):
        known = {name.split(".")[1] for name in imports(path)}
        assert known <= {"arrays", "stats"}, path.name


def test_file_and_class_names_are_unique():
    stems = [path.stem for path in MODULES if path.stem != "__init__"]
    classes = [n.name for path in MODULES for n in nodes(path) if isinstance(n, ast.ClassDef)]
    for names in (stems, classes):
        assert sorted(set(names)) == sorted(names)


def test_only_files_opens_files():
    openers = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "unlink"}
    for path in MODULES:
        package = path.relative_to(SRC).parts[0]
        if package not in {"files", "collect", "verify.py"}:  # the last stands alone
            commands = package == "cli"  # a table of commands is opened
            used = calls(path) & openers - ({"open"} if commands else set())
            assert not used, f"{path.name} uses {used}"


def test_only_the_commands_print():
    for path in MODULES:
        if "cli" not in path.relative_to(SRC).parts:
            assert not calls(path) & {"print", "echo", "secho"}, path.name


def test_the_blind_is_lifted_in_one_function():
    callers = [path.name for path in MODULES if "unblind" in calls(path)]
    assert callers == ["score_table.py"]
    uses = [
        node
        for node in nodes(SRC / "scores" / "score_table.py")
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "unblind"
    ]
    assert len(uses) == 1


def code_lines(path: Path) -> int:
    """Lines that are neither blank nor part of a docstring."""
    told = {
        number
        for node in nodes(path)
        if isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
        for number in range(node.lineno, node.end_lineno + 1)
    }
    lines = enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
    return sum(bool(line.strip()) and number not in told for number, line in lines)


def test_modules_stay_small():
    lengths = {path.name: code_lines(path) for path in MODULES}
    assert {name: lines for name, lines in lengths.items() if lines > 400} == {}


def test_every_data_file_has_its_source():
    told = re.findall(r"^\| `([^`]+)` \|", (DATA / "SOURCES.md").read_text("utf-8"), re.MULTILINE)
    files = {path.name for path in DATA.iterdir()} - {"SOURCES.md"}
    assert sorted(told) == sorted(files)


def test_what_is_public_and_every_procedure_have_docstrings():
    """Elsewhere a docstring says what name and types do not, and may be none."""
    missing = []
    for path in (SRC / "api.py", SRC / "errors.py", *(SRC / "stats").glob("*.py")):
        body = tree(path).body
        methods = [each for node in body if isinstance(node, ast.ClassDef) for each in node.body]
        for node in [*body, *methods]:
            public = isinstance(node, (ast.FunctionDef, ast.ClassDef)) and node.name[0] != "_"
            if public and not ast.get_docstring(node):
                missing.append(f"{path.name}:{node.name}")
    assert missing == []


def every_node() -> Iterator[ast.AST]:
    return chain.from_iterable(map(nodes, MODULES))


def places_of_slug() -> dict[str, int]:
    """At which place each function or record of the package takes a slug."""
    places = {}
    for node in every_node():
        if isinstance(node, ast.FunctionDef):
            names = [each.arg for each in node.args.args if each.arg not in ("self", "cls")]
        elif isinstance(node, ast.ClassDef):
            fields = [each.target for each in node.body if isinstance(each, ast.AnnAssign)]
            names = [each.id for each in fields if isinstance(each, ast.Name)]
        else:
            continue
        if "slug" in names:
            places[node.name] = names.index("slug")
    return places


def texts(node: ast.AST) -> Iterator[str]:
    for each in ast.walk(node):
        if isinstance(each, ast.Constant) and isinstance(each.value, str):
            yield each.value


def slugs_in_source() -> set[str]:
    places, found = places_of_slug(), set()
    for node in every_node():
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            found |= {t for word in node.keywords if word.arg == "slug" for t in texts(word.value)}
            if name in places and len(node.args) > places[name]:
                found |= set(texts(node.args[places[name]]))
        elif isinstance(node, ast.Assign):
            pairs = zip(_parts(node.targets[0]), _parts(node.value), strict=False)
            found |= {
                text
                for target, value in pairs
                if isinstance(target, ast.Name) and target.id == "slug"
                for text in texts(value)
            }
    return found


def _parts(node: ast.AST) -> list[ast.AST]:
    return list(node.elts) if isinstance(node, ast.Tuple) else [node]


def test_every_problem_is_documented():
    assert sorted(explanations()) == sorted(slugs_in_source())
