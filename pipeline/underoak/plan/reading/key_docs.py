"""Docstrings under the keys of a part of a plan, read from its source when the JSON Schema asks for them."""

from __future__ import annotations

import ast
import inspect
import textwrap
from itertools import pairwise


def key_docs(part: type) -> dict[str, str]:
    """Return the docstring of each key of a class and its bases; those without one are left out."""
    docs: dict[str, str] = {}
    for cls in reversed(part.__mro__):
        if "__annotations__" in vars(cls) and cls.__module__.startswith("underoak."):
            docs |= _docs_of(cls)
    return docs


def _docs_of(cls: type) -> dict[str, str]:
    (definition,) = ast.parse(textwrap.dedent(inspect.getsource(cls))).body
    assert isinstance(definition, ast.ClassDef)
    docs = {}
    for key, text in pairwise(definition.body):
        match key, text:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(words))):
                docs[name] = inspect.cleandoc(words)
    return docs
