"""Small faults in a Python file: another operator, a constant off by one, a value not returned."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault that a file can have; `line` is the first of its statement."""

    file: str
    line: int
    name: str
    place: int
    choice: int

    def source(self, tree: Path) -> str:
        """The file with the fault in it."""
        module = ast.parse((tree / self.file).read_text(encoding="utf-8"))
        parent, field, index = list(_places(module))[self.place]
        _put(parent, field, index, list(_replacements(_get(parent, field, index)))[self.choice])
        return ast.unparse(ast.fix_missing_locations(module))


def faults_of(path: Path, tree: Path) -> Iterator[Fault]:
    """Every fault of a file."""
    module = ast.parse(path.read_text(encoding="utf-8"))
    file = path.relative_to(tree).as_posix()
    statements = [(n.lineno, n.end_lineno) for n in ast.walk(module) if isinstance(n, ast.stmt)]
    for place, (parent, field, index) in enumerate(_places(module)):
        old = _get(parent, field, index)
        for choice, new in enumerate(_replacements(old)):
            at = old if hasattr(old, "lineno") else parent
            line, column = getattr(at, "lineno", 1), getattr(at, "col_offset", 0)
            first = max((one for one, last in statements if one <= line <= last), default=line)
            before = _shown(parent, old)
            _put(parent, field, index, new)
            after = _shown(parent, new)
            _put(parent, field, index, old)
            yield Fault(file, first, f"{file}:{line}:{column}: {before} -> {after}", place, choice)


def _shown(parent: ast.AST, part: ast.AST) -> str:
    """The expression around the part, or the first line of a statement."""
    whole = isinstance(part, ast.expr | ast.stmt) and not isinstance(parent, ast.expr)
    return ast.unparse(part if whole else parent).splitlines()[0][:160]


def _places(module: ast.Module) -> Iterator[tuple[ast.AST, str, int | None]]:
    """(parent, field, index) of everything that may be replaced."""
    waiting: list[ast.AST] = [module]
    while waiting:
        node = waiting.pop(0)
        for field, value in ast.iter_fields(node):
            if _is_no_behaviour(node, field):
                continue
            for index, child in enumerate(value) if isinstance(value, list) else ((None, value),):
                if isinstance(child, ast.AST):
                    yield node, field, index
                    waiting.append(child)


def _is_no_behaviour(node: ast.AST, field: str) -> bool:
    """Annotations, decorators, and the texts of messages."""
    never = {"annotation", "returns", "decorator_list", "ctx"}
    return field in never or isinstance(node, ast.JoinedStr | ast.Raise)


def _replacements(old: ast.AST) -> Iterator[ast.AST]:
    match old:
        case ast.cmpop():
            yield from (other() for other in COMPARISONS[type(old)])
        case ast.operator() if type(old) in ARITHMETIC:
            yield ARITHMETIC[type(old)]()
        case ast.And():
            yield ast.Or()
        case ast.Or():
            yield ast.And()
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert()):
            yield old.operand
        case ast.Constant(value=bool()):
            yield ast.Constant(not old.value)
        case ast.Constant(value=int()):
            yield ast.Constant(old.value + 1)
        case ast.Constant(value=float()):
            yield ast.Constant(old.value * 1.25 if old.value else 1.0)
        case ast.Return(value=ast.expr() as value) if not _is_none(value):
            yield ast.Return(ast.Constant(None))
        case ast.IfExp() | ast.If():
            yield type(old)(ast.UnaryOp(ast.Not(), old.test), old.body, old.orelse)


def _is_none(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value is None


def _get(node: ast.AST, field: str, index: int | None) -> ast.AST:
    value = getattr(node, field)
    return value if index is None else value[index]


def _put(node: ast.AST, field: str, index: int | None, new: ast.AST) -> None:
    if index is None:
        setattr(node, field, new)
    else:
        getattr(node, field)[index] = new
