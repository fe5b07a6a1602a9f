"""The parts of the package depend on each other in one direction."""

import ast
import re
from pathlib import Path

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "xrfmap"


def part_of(module):
    """Name of the package that a dotted module name lies in; `xrfmap` for what lies in none."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and (PACKAGE / parts[1]).is_dir() else "xrfmap"


def imports(tree):
    """Dotted names imported anywhere in a module, but not those for the type checker alone."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            continue
        if isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{name.name}" for name in node.names)
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        else:
            yield from imports(node)


def test_a_package_imports_only_from_those_above_it_in_the_developers_table():
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    order = re.findall(r"^\| `(\w+)/` \|", text, flags=re.MULTILINE)
    place = {name: number for number, name in enumerate(order)}
    upward, seen = [], 0
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.name in {"__init__.py", "__main__.py"} and path.parent == PACKAGE:
            continue  # doors to everything
        mine = part_of(".".join(path.relative_to(TOP).parts))
        for name in imports(ast.parse(path.read_text(encoding="utf-8"))):
            if name.split(".")[0] == "xrfmap" and name != "xrfmap.__version__":
                seen += 1
                if place[part_of(name)] > place[mine]:
                    upward.append(f"{path.relative_to(TOP)} imports {name}")
    assert seen > 1000  # or names are no longer read
    assert upward == []
