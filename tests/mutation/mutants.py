"""Mutants of C functions: all in one program, chosen by a number at run time.

Compiling the core once per mutant would take most of the time. Instead every place that can be changed
becomes ``mutant == 57 ? changed : original``, so that one compiled core holds all mutants, and with the
number 0 it is the original. Only function bodies are rewritten; macros and types stay as they are written.
"""

from __future__ import annotations

import copy
import subprocess
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pycparser import c_ast, c_generator, c_parser

#: What the parser has to know of the system's headers. Constants are enumerators, so that the preprocessor
#: leaves their names alone.
SYSTEM_HEADERS = {
    "stdint.h": """
        typedef unsigned char uint8_t; typedef unsigned short uint16_t; typedef unsigned int uint32_t;
        typedef int int32_t;
        enum { UINT8_MAX = 0xFF, UINT16_MAX = 0xFFFF };
        #define UINT32_C(value) value##u
    """,
    "stdbool.h": "typedef _Bool bool; enum { false, true };",
    "string.h": "void *memcpy(void *to, const void *from, unsigned long size);",
}

NEIGHBOURS = {
    "<": ["<="], "<=": ["<"], ">": [">="], ">=": [">"], "==": ["!="], "!=": ["=="],
    "&&": ["||"], "||": ["&&"],
    "+": ["-"], "-": ["+"], "&": ["|"], "|": ["&"], "^": ["|", "&"], "<<": [">>"], ">>": ["<<"],
    "+=": ["-="], "-=": ["+="], "|=": ["&="], "&=": ["|="], "^=": ["|="],
}  # fmt: skip
STEPS = {"p++": "p--", "p--": "p++", "++": "--", "--": "++"}


@dataclass(frozen=True)
class Mutant:
    """``name`` says where and what without a line number, so that it outlives edits elsewhere."""

    number: int
    file: str
    line: int
    name: str

    def __str__(self) -> str:
        return self.name.replace(self.file, f"{self.file}:{self.line}", 1)


def _text(node: c_ast.Node) -> str:
    return str(c_generator.CGenerator().visit(node)).rstrip(";\n")


def _number(value: int) -> c_ast.Node:
    return c_ast.Constant("int", str(value))


def _one_off(node: c_ast.Constant) -> Iterator[c_ast.Node]:
    digits = node.value.rstrip("uUlL")
    for value in (int(digits, 0) + 1, int(digits, 0) - 1):
        yield c_ast.Constant(node.type, f"{value}{node.value[len(digits) :]}")


class Maker:
    """Puts mutants into the functions of the files given to :meth:`rewrite`, and lists them."""

    def __init__(self) -> None:
        self.mutants: list[Mutant] = []
        self._seen: Counter[str] = Counter()
        self._enumerators: set[str] = set()
        self._file = self._function = ""
        self._returns_bool = False

    def rewrite(self, source: Path, headers: Path, macros: Iterable[str]) -> str:
        """The text of ``source`` with every mutant in it; ``headers`` holds SYSTEM_HEADERS."""
        preprocessed = subprocess.run(
            ["cc", "-E", "-nostdinc", f"-I{headers}", *macros, str(source)],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        tree = c_parser.CParser().parse(preprocessed, str(source))
        self._enumerators = {
            one.name
            for node in tree
            if isinstance(node, c_ast.Decl) and isinstance(node.type, c_ast.Enum) and node.type.values
            for one in node.type.values.enumerators
        }
        self._file = source.name
        lines = source.read_text().splitlines()
        text = ["extern int mutant;"]
        done = 0
        for node in tree:
            if isinstance(node, c_ast.FuncDef) and node.coord.file == str(source):
                start = node.decl.coord.line - 1
                text += [*lines[done:start], self._define(node)]
                done = lines.index("}", start) + 1
        return "\n".join([*text, *lines[done:], ""])

    def _define(self, node: c_ast.FuncDef) -> str:
        self._function = node.decl.name
        self._returns_bool = _text(node.decl.type.type) == "bool"
        node.body = self._statement(node.body)
        return str(c_generator.CGenerator().visit(node))

    # ---- one mutant ----

    def _add(self, node: c_ast.Node, anchor: c_ast.Node, changed: c_ast.Node | None) -> c_ast.Node:
        """Lists a mutant and returns its number; ``anchor`` is the part around ``node`` that is shown."""
        before = _text(anchor)
        # A copy in which one node has become another one.
        after = "nothing" if changed is None else _text(copy.deepcopy(anchor, {id(node): changed}))
        name = f"{self._file} {self._function}: {before} -> {after}"
        self._seen[name] += 1
        if self._seen[name] > 1:  # the same statement again, further down
            name += f" #{self._seen[name]}"
        number = len(self.mutants) + 1
        self.mutants.append(Mutant(number, self._file, node.coord.line, name))
        return _number(number)

    def _choose(
        self, node: c_ast.Node, anchor: c_ast.Node, changes: Iterable[c_ast.Node], original: c_ast.Node
    ) -> c_ast.Node:
        """``original`` is ``node`` with mutants inside."""
        for changed in changes:
            chosen = c_ast.BinaryOp("==", c_ast.ID("mutant"), self._add(node, anchor, changed))
            original = c_ast.TernaryOp(chosen, changed, original)
        return original

    # ---- expressions ----

    def _condition(self, node: c_ast.Node, anchor: c_ast.Node) -> c_ast.Node:
        inner = self._expression(node, anchor)
        if isinstance(node, c_ast.BinaryOp) and node.op in ("==", "!="):
            return inner  # negated already
        if isinstance(node, c_ast.UnaryOp) and node.op == "!":
            return inner
        return self._choose(node, anchor, [c_ast.UnaryOp("!", node)], inner)

    def _expression(self, node: c_ast.Node, anchor: c_ast.Node) -> c_ast.Node:
        changes: list[c_ast.Node] = []
        original = copy.copy(node)
        match node:
            case c_ast.Constant(type="int" | "unsigned int"):
                changes += _one_off(node)
            case c_ast.ID(name="true" | "false"):
                changes.append(c_ast.ID("false" if node.name == "true" else "true"))
            case c_ast.ID() if node.name in self._enumerators:
                changes += [c_ast.BinaryOp(op, node, _number(1)) for op in "+-"]
            case c_ast.BinaryOp(op="&&" | "||"):
                original.left = self._condition(node.left, node.left)
                original.right = self._condition(node.right, node.right)
            case c_ast.BinaryOp():
                original.left = self._expression(node.left, anchor)
                original.right = self._expression(node.right, anchor)
            case c_ast.UnaryOp(op="!" | "~" | "-"):
                original.expr = self._expression(node.expr, anchor)
                changes.append(node.expr)
            case c_ast.UnaryOp() if node.op in STEPS:
                changes += [c_ast.UnaryOp(STEPS[node.op], node.expr), node.expr]
            case c_ast.UnaryOp(op="*"):
                original.expr = self._expression(node.expr, anchor)
            case c_ast.TernaryOp():
                original.cond = self._condition(node.cond, anchor)
                original.iftrue = self._expression(node.iftrue, anchor)
                original.iffalse = self._expression(node.iffalse, anchor)
            case c_ast.Assignment():
                original.rvalue = self._expression(node.rvalue, anchor)
            case c_ast.Cast() | c_ast.NamedInitializer():
                original.expr = self._expression(node.expr, anchor)
            case c_ast.FuncCall() if node.args:
                original.args = self._expression(node.args, anchor)
            case c_ast.ExprList() | c_ast.InitList():
                original.exprs = [self._expression(part, anchor) for part in node.exprs]
            case c_ast.ArrayRef():
                original.subscript = self._expression(node.subscript, anchor)
        for op in NEIGHBOURS.get(getattr(node, "op", ""), []) if len(list(node)) == 2 else []:
            changed = copy.copy(node)
            changed.op = op
            changes.append(changed)
        return self._choose(node, anchor, changes, original)

    # ---- statements ----

    def _leave_out(self, node: c_ast.Node, original: c_ast.Node) -> c_ast.Node:
        present = c_ast.BinaryOp("!=", c_ast.ID("mutant"), self._add(node, node, None))
        return c_ast.If(present, c_ast.Compound([original]), None)

    def _statement(self, node: c_ast.Node | None) -> c_ast.Node | None:
        original: Any = copy.copy(node)
        match node:
            case c_ast.Compound():
                original.block_items = [self._statement(item) for item in node.block_items or []]
            case c_ast.Decl() if node.init:
                original.init = self._expression(node.init, node)
            case c_ast.DeclList():
                original.decls = [self._statement(decl) for decl in node.decls]
            case c_ast.If():
                original.cond = self._condition(node.cond, node.cond)
                original.iftrue = self._statement(node.iftrue)
                original.iffalse = self._statement(node.iffalse)
            case c_ast.While() | c_ast.DoWhile():
                original.cond = self._condition(node.cond, node.cond)
                original.stmt = self._statement(node.stmt)
            case c_ast.For():
                original.init = self._statement(node.init)
                original.cond = self._condition(node.cond, node.cond)
                original.next = self._expression(node.next, node.next)
                original.stmt = self._statement(node.stmt)
            case c_ast.Return() if node.expr and self._returns_bool:
                original.expr = self._condition(node.expr, node)
            case c_ast.Return() if node.expr:
                one_more = c_ast.BinaryOp("+", node.expr, _number(1))
                original.expr = self._choose(node.expr, node, [one_more], self._expression(node.expr, node))
            case c_ast.UnaryOp():
                stepped = self._choose(node, node, [c_ast.UnaryOp(STEPS[node.op], node.expr)], node)
                return self._leave_out(node, stepped)
            case c_ast.Assignment() | c_ast.FuncCall():
                return self._leave_out(node, self._expression(node, node))
            case c_ast.Return() | c_ast.Break() | c_ast.Continue():
                return self._leave_out(node, node)
        return original
