"""Typed decoding begun by several threads at once: the process lives, and all of the program decodes this way."""

from __future__ import annotations

import ast
import subprocess
import sys

from tests.engines import ROOT

PLAIN = {"str", "int", "float", "bool", "dict", "list", "tuple", "Any"}

AT_ONCE = """
import sys, threading, types
from forecaster.decoding.typed import from_json, from_packed
import msgspec

sys.setswitchinterval(1e-6)
SOURCE = '''
from __future__ import annotations
from dataclasses import dataclass
@dataclass
class Inner:
    a: int = 0
    b: float | None = None
    d: dict[str, float] | None = None
@dataclass
class Outer:
    x: Inner
    z: list[Inner] | None = None
    t: tuple[tuple[int, float], ...] = ()
'''
BODY = b'{"x":{"a":1,"b":2.0,"d":{"k":1.0}},"z":[{"a":5}],"t":[[1,2.0]]}'
PACKED = msgspec.msgpack.encode(msgspec.json.decode(BODY))
found = []
for number in range(400):
    module = types.ModuleType(f"made{number}")
    sys.modules[module.__name__] = module
    exec(SOURCE, module.__dict__)
    for name in ("Inner", "Outer"):
        vars(module)[name].__module__ = module.__name__
    kind, ready = module.Outer, threading.Barrier(4)
    def go(of, body):
        ready.wait()
        found.append(of(body, kind).z[0].a)
    threads = [threading.Thread(target=go, args=args) for args in [(from_json, BODY), (from_packed, PACKED)] * 2]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
print(len(found), set(found))
"""


def test_classes_that_threads_decode_for_the_first_time_do_not_end_the_process() -> None:
    """In: 400 classes, each by four threads at once. With the library's own functions this ends with signal 11."""
    done = subprocess.run([sys.executable, "-c", AT_ONCE], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "1600 {5}\n", "")


def test_no_class_is_decoded_past_it() -> None:
    """`msgspec.json.decode(…, type=A class)` nowhere; plain containers share nothing that is built."""
    past = [
        f"{path.relative_to(ROOT)}:{call.lineno}"
        for room in ("api", "collector", "forecaster")
        for path in (ROOT / room).rglob("*.py")
        if "msgspec." in (text := path.read_text(encoding="utf-8"))
        for call in ast.walk(ast.parse(text))
        if isinstance(call, ast.Call) and ast.unparse(call.func).startswith("msgspec.") and _of_a_class(call)
    ]
    assert past == []


def _of_a_class(call: ast.Call) -> bool:
    kinds = [word.value for word in call.keywords if word.arg == "type"]
    names = {node.id for kind in kinds for node in ast.walk(kind) if isinstance(node, ast.Name)}
    return not names <= PLAIN
