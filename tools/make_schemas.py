"""JSON Schemas of all that commands give with --json, from the types of the code that makes it.

    python tools/make_schemas.py            say which files differ, and end with 1 if any does
    python tools/make_schemas.py --write    write mixmon/guide/schemas

mypy reads the package; every call of `to_json` in a command is one shape of its output. Dictionaries are
followed key by key, through the functions that make them; records become objects of their fields, as
`report.text.plain` makes them. What has no more than the type Any may be anything. Numbers may be null,
as NaN has no name in JSON.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import Any

from mypy import build, nodes
from mypy import types as typed
from mypy.find_sources import create_source_list
from mypy.options import Options

from mixmon.guide.references import documented
from mixmon.report.text import JSON_FORMAT

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "mixmon/guide/schemas"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
SAME_COMMAND = {"conversion": "convert", "new_session": "new"}
"""Modules in which the JSON of a command is written that has another name."""

Schema = dict[str, Any]
NOTE = {
    "type": "object",
    "properties": {"code": {"type": "string"}, "text": {"type": "string"}},
    "required": ["code", "text"],
    "additionalProperties": True,
    "description": "what the program says about a result: match the code; its values stand beside it by name",
}
NUMBERS = {
    "anyOf": [
        {"type": ["number", "boolean", "null"]},
        {"type": "array", "items": {"$ref": "#/$defs/numbers"}},
    ]
}
PLAIN = {
    "builtins.float": {"type": ["number", "null"]},
    "builtins.int": {"type": "integer"},
    "builtins.bool": {"type": "boolean"},
    "builtins.str": {"type": "string"},
    "pathlib.Path": {"type": "string"},
    "pathlib._local.Path": {"type": "string"},
}
ROWS = {
    "builtins.list",
    "builtins.tuple",
    "typing.Sequence",
    "typing.Iterable",
    "typing.Iterator",
    "builtins.map",
}
TABLES = {"builtins.dict", "typing.Mapping", "collections.Counter"}


def either(found: list[Schema]) -> Schema:
    """A schema of values that fit one of several; types alone are joined."""
    if not found:
        return {}
    flat: list[Schema] = []
    for one in found:
        for part in one["anyOf"] if set(one) == {"anyOf"} else [one]:
            if part == {}:
                return {}
            if part not in flat:
                flat.append(part)
    names: list[str] = []
    for one in flat:
        if set(one) == {"type"}:
            names += [one["type"]] if isinstance(one["type"], str) else one["type"]
    rest = [one for one in flat if set(one) != {"type"}]
    kinds = list(dict.fromkeys(names))
    joined = [{"type": kinds[0] if len(kinds) == 1 else kinds}] if kinds else []
    return (joined + rest)[0] if len(joined + rest) == 1 else {"anyOf": joined + rest}


def merged(found: list[Schema]) -> Schema:
    """An object with the keys of several; open where one of them is."""
    properties: Schema = {}
    required: list[str] = []
    for one in found:
        properties |= one.get("properties", {})
        required += one.get("required", [])
    result: Schema = {"type": "object", "properties": properties, "required": list(dict.fromkeys(required))}
    if any("properties" not in one for one in found):
        result["additionalProperties"] = True
    return result


class Reader:
    """Expressions and types of one command as schemas; records are collected as definitions."""

    def __init__(self, kinds: dict[nodes.Expression, typed.Type], forms: dict[str, nodes.Expression]) -> None:
        self.kinds, self.forms = kinds, forms
        self.definitions: Schema = {}
        self._within: list[nodes.FuncDef] = []
        self._given: list[dict[nodes.Node, nodes.Expression]] = []

    def expression(self, found: nodes.Expression) -> Schema:  # noqa: C901, PLR0911  # a case for each kind
        """What an expression gives."""
        match found:
            case nodes.DictExpr():
                return self._dictionary(found)
            case nodes.ListComprehension(generator=made):
                return {"type": "array", "items": self.expression(made.left_expr)}
            case nodes.GeneratorExpr():
                return {"type": "array", "items": self.expression(found.left_expr)}
            case nodes.DictionaryComprehension():
                return {"type": "object", "additionalProperties": with_booleans(self.expression(found.value))}
            case nodes.ListExpr(items=items):
                if not items:
                    return {"type": "array", "maxItems": 0}
                return {"type": "array", "items": either([self.expression(one) for one in items])}
            case nodes.StarExpr(expr=inner):
                return self.expression(inner).get("items", {})
            case nodes.ConditionalExpr():
                return either([self.expression(found.if_expr), self.expression(found.else_expr)])
            case nodes.OpExpr(op="|") if isinstance(found.left, nodes.DictExpr | nodes.NameExpr):
                return merged([self.expression(found.left), self.expression(found.right)])
            case nodes.CallExpr(callee=nodes.RefExpr(node=nodes.FuncDef() as function)):
                return self._call(found, function)
            case nodes.CallExpr(callee=nodes.MemberExpr(name="to_dict", expr=whose)):
                return self._result(typed.get_proper_type(self.kinds.get(whose)))
            case nodes.NameExpr(node=nodes.Var()) if self._is_vague(found):
                return self._variable(found)
        return self.type(self.kinds.get(found, typed.AnyType(typed.TypeOfAny.special_form)))

    def _is_vague(self, found: nodes.Expression) -> bool:
        return "Any" in str(self.kinds.get(found, "Any")) or "object" in str(self.kinds.get(found, ""))

    def _result(self, found: typed.ProperType | None) -> Schema:
        """What a result is told as: its form in `mixmon.forms`, by the name of its class."""
        made = self.forms.get(found.type.name) if isinstance(found, typed.Instance) else None
        match made:
            case nodes.LambdaExpr(body=nodes.Block(body=[nodes.ReturnStmt(expr=nodes.Expression() as told)])):
                return self.expression(told)
            case nodes.NameExpr(node=nodes.FuncDef() as function):
                returned = [
                    one.expr for one in statements(function.body) if isinstance(one, nodes.ReturnStmt)
                ]
                return either([self.expression(one) for one in returned if one])
        return {}

    def _dictionary(self, found: nodes.DictExpr) -> Schema:
        own: Schema = {}
        parts = []
        for key, value in found.items:
            if key is None:
                parts.append(self.expression(value))
            elif isinstance(key, nodes.StrExpr):
                own[key.value] = self.expression(value)
            else:
                return {
                    "type": "object",
                    "additionalProperties": either([self.expression(v) for _, v in found.items]),
                }
        return merged([*parts, {"properties": own, "required": list(own)}])

    def _call(self, found: nodes.CallExpr, function: nodes.FuncDef) -> Schema:
        """What a function returns, by its body where its type says no more than a mapping."""
        if not self._is_vague(found) or function in self._within:
            return self.type(self.kinds.get(found, typed.AnyType(typed.TypeOfAny.special_form)))
        self._within.append(function)
        self._given.append(arguments_by_name(found, function))
        returned = [one.expr for one in statements(function.body) if isinstance(one, nodes.ReturnStmt)]
        schema = either([self.expression(one) if one else {"type": "null"} for one in returned])
        self._within.pop()
        self._given.pop()
        return schema

    def _variable(self, found: nodes.NameExpr) -> Schema:
        """What a variable was given in the function that uses it, or by who called that function."""
        for arguments in reversed(self._given):
            if found.node in arguments:
                return self.expression(arguments[found.node])
        for function in reversed(self._within):
            given = [
                one.rvalue
                for one in statements(function.body)
                if isinstance(one, nodes.AssignmentStmt)
                for left in one.lvalues
                if isinstance(left, nodes.NameExpr) and left.node is found.node
            ]
            if given:
                return either([self.expression(one) for one in given])
        return self.type(self.kinds.get(found, typed.AnyType(typed.TypeOfAny.special_form)))

    def type(self, found: typed.Type) -> Schema:  # noqa: PLR0911  # a case for each kind
        """What a value of a type becomes."""
        match typed.get_proper_type(found):
            case typed.NoneType():
                return {"type": "null"}
            case typed.LiteralType() as literal if (
                isinstance(literal.value, str) and not literal.fallback.type.is_enum
            ):
                return {"enum": [literal.value]}
            case typed.LiteralType(fallback=instance):
                return self.type(instance)
            case typed.UnionType(items=items):
                return either([self.type(one) for one in items])
            case typed.TupleType(items=items) as row:
                if any(isinstance(typed.get_proper_type(one), typed.UnpackType) for one in items):
                    return self.type(row.partial_fallback)
                parts = [self.type(one) for one in items]
                if not parts:
                    return {"type": "array", "maxItems": 0}
                return {"type": "array", "prefixItems": parts, "minItems": len(parts), "maxItems": len(parts)}
            case typed.Instance() as instance:
                return self._instance(instance)
        return {}

    def _instance(self, found: typed.Instance) -> Schema:  # noqa: PLR0911  # a case for each kind
        info = found.type
        names = {one.fullname for one in info.mro}
        if info.fullname in PLAIN:
            return dict(PLAIN[info.fullname])
        if "mixmon.note.Note" in names:
            return self._defined("note", NOTE)
        if "mixmon.note.NoteCode" in names:
            return {"type": "string"}
        if info.is_enum:
            members = [name for name, one in info.names.items() if is_member(one)]
            return {"enum": [name.lower().replace("_", " ") for name in members]}
        if "numpy.ndarray" in names:
            return self._defined("numbers", NUMBERS)
        if any(name.startswith("numpy.") for name in names):
            return {"type": ["number", "boolean", "null"]}
        if info.fullname in ROWS and found.args:
            return {"type": "array", "items": self.type(found.args[0])}
        if info.fullname in TABLES and found.args:
            return {"type": "object", "additionalProperties": with_booleans(self.type(found.args[-1]))}
        return self._record(info) if info.fullname.startswith("mixmon.") else {}

    def _defined(self, name: str, schema: Schema) -> Schema:
        self.definitions.setdefault(name, schema)
        return {"$ref": f"#/$defs/{name}"}

    def _record(self, info: nodes.TypeInfo) -> Schema:
        """A record as an object of its fields, described by its docstring."""
        if info.name not in self.definitions:
            self.definitions[info.name] = {}
            told = {n.strip(): t for names, t in documented(info.defn.docstring) for n in names.split(",")}
            properties = {}
            for one in (each for each in reversed(info.mro) if each.fullname.startswith("mixmon.")):
                for name, field in fields_of(one):
                    schema = self.type(field)
                    properties[name] = {**schema, "description": told[name]} if name in told else schema
            self.definitions[info.name] = {
                "type": "object",
                "properties": properties,
                "required": list(properties),
            }
        return {"$ref": f"#/$defs/{info.name}"}


def with_booleans(schema: Schema) -> Schema:
    """A value of a mapping: Python takes true and false for numbers, and the values are mixed there."""
    kinds = [str(one.get("type")) for one in schema.get("anyOf", [schema])]
    return either([schema, {"type": "boolean"}]) if any("number" in kind for kind in kinds) else schema


def arguments_by_name(call: nodes.CallExpr, function: nodes.FuncDef) -> dict[nodes.Node, nodes.Expression]:
    """The expressions that a call gives, by the variables that take them."""
    by_name = {one.variable.name: one.variable for one in function.arguments}
    places = list(by_name.values())
    given: dict[nodes.Node, nodes.Expression] = {}
    for i, (value, name) in enumerate(zip(call.args, call.arg_names, strict=True)):
        variable = by_name.get(name) if name else places[i] if i < len(places) else None
        if variable is not None:
            given[variable] = value
    return given


def is_member(symbol: nodes.SymbolTableNode) -> bool:
    """Whether a name of an enumeration is one of its members."""
    return (
        isinstance(symbol.node, nodes.Var) and not symbol.node.is_property and symbol.node.has_explicit_value
    )


def fields_of(info: nodes.TypeInfo) -> list[tuple[str, typed.Type]]:
    """Names and types of what a class declares as fields of its own."""
    declared = [
        one for one in info.defn.defs.body if isinstance(one, nodes.AssignmentStmt) and one.type is not None
    ]
    return [
        (left.name, left.node.type)
        for one in declared
        for left in one.lvalues
        if isinstance(left, nodes.NameExpr) and isinstance(left.node, nodes.Var) and left.node.type
    ]


def statements(block: nodes.Block) -> list[nodes.Statement]:
    """All statements in a block and in the blocks within it, functions within left out."""
    found: list[nodes.Statement] = []
    for one in block.body:
        found.append(one)
        for name in ("body", "else_body", "finally_body"):
            inner = getattr(one, name, None)
            for part in inner if isinstance(inner, list) else [inner]:
                if isinstance(part, nodes.Block) and not isinstance(one, nodes.FuncDef | nodes.ClassDef):
                    found += statements(part)
    return found


def functions(tree: nodes.MypyFile) -> list[nodes.FuncDef]:
    return [one for one in tree.defs if isinstance(one, nodes.FuncDef)]


def forms_by_class(tree: nodes.MypyFile) -> dict[str, nodes.Expression]:
    """What makes the dictionary of each class of results: the first argument of its `Form`."""
    return {
        key.value: value.args[0]
        for statement in tree.defs
        if isinstance(statement, nodes.AssignmentStmt) and isinstance(statement.rvalue, nodes.DictExpr)
        for key, value in statement.rvalue.items
        if isinstance(key, nodes.StrExpr) and isinstance(value, nodes.CallExpr) and value.args
    }


def calls_of_to_json(found: object, seen: set[int]) -> list[nodes.CallExpr]:
    """Every call of `to_json` below a node of the tree."""
    if id(found) in seen or not isinstance(found, nodes.Node | list | tuple):
        return []
    seen.add(id(found))
    if isinstance(found, list | tuple):
        return [call for one in found for call in calls_of_to_json(one, seen)]
    if isinstance(found, nodes.SymbolNode) and not isinstance(found, nodes.FuncDef):
        return []
    calls = []
    if (
        isinstance(found, nodes.CallExpr)
        and isinstance(found.callee, nodes.NameExpr)
        and found.callee.name == "to_json"
    ):
        calls.append(found)
    if isinstance(found, nodes.RefExpr):
        return calls
    for name in dir(type(found)):
        if name.startswith("_") or name in {"info", "type", "node", "analyzed", "fallback_to_any"}:
            continue
        try:
            value = getattr(found, name)
        except (AttributeError, AssertionError):
            continue
        if isinstance(value, nodes.Node | list | tuple):
            calls += calls_of_to_json(value, seen)
    return calls


def checked() -> build.BuildResult:
    """The package as mypy understands it."""
    options = Options()
    options.python_version = (3, 11)
    options.incremental = False
    options.cache_dir = os.devnull
    options.export_types = options.preserve_asts = options.include_docstrings = True
    options.ignore_missing_imports = True
    os.chdir(ROOT)
    sources = create_source_list(["mixmon/cli", "mixmon/report", "mixmon/forms.py"], options)
    return build.build(sources, options)


def schemas() -> dict[str, Schema]:
    """The schema of each command that has --json, by its name."""
    result = checked()
    forms = forms_by_class(result.files["mixmon.forms"])
    shapes: dict[str, list[tuple[Reader, Schema]]] = {}
    for name, tree in sorted(result.files.items()):
        if not name.startswith(("mixmon.cli.", "mixmon.report.")):
            continue
        command = SAME_COMMAND.get(name.rpartition(".")[2], name.rpartition(".")[2])
        for function in functions(tree):
            for call in calls_of_to_json(function, set()):
                reader = Reader(result.types, forms)
                reader._within = [function]  # noqa: SLF001
                shapes.setdefault(command, []).append((reader, reader.expression(call.args[0])))
    return {command: whole_schema(command, found) for command, found in shapes.items()}


def whole_schema(command: str, found: list[tuple[Reader, Schema]]) -> Schema:
    """One document for a command, of one shape or of several."""
    definitions: Schema = {}
    parts: list[Schema] = []
    for reader, shape in found:
        definitions |= reader.definitions
        one = {
            **shape,
            "properties": {"format": {"const": JSON_FORMAT}, **shape.get("properties", {})},
            "required": ["format", *shape.get("required", [])],
        }
        if one not in parts:
            parts.append(one)
    whole = parts[0] if len(parts) == 1 else {"anyOf": parts}
    return {
        "$schema": DIALECT,
        "title": f"mixmon {command} --json",
        **whole,
        "$defs": dict(sorted(definitions.items())),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="write the files")
    parser.add_argument("--check", action="store_true", help="say what differs; this is what it does anyway")
    write = parser.parse_args().write
    made = {f"{name}.json": json.dumps(one, indent=1) + "\n" for name, one in schemas().items()}
    there = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    if write:
        FOLDER.mkdir(exist_ok=True)
        for name in there.keys() - made.keys():
            (FOLDER / name).unlink()
        for name, text in made.items():
            (FOLDER / name).write_text(text, encoding="utf-8")
        return 0
    wrong = sorted(name for name in made.keys() | there.keys() if made.get(name) != there.get(name))
    for name in wrong:
        print(f"{FOLDER.relative_to(ROOT) / name}: not what the code gives; --write writes it")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
