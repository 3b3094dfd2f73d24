"""The library of the package wasmtime through its documented C interface (Wasmtime C API 50: wasm.h, wasmtime/*.h).

The package itself is not imported: that takes longer than a machine does to start, and its own calls cost ten times
what the library's do. Only functions and structures that the headers name are used; structures whose content is
private get room and are handed back.
"""

from __future__ import annotations

import ctypes
import weakref
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from simkit.cpu.core.instance import NoCoreError

WASM_PAGE = 65_536

_P, _SIZE, _TEXT = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_char_p
_Private = ctypes.c_uint64 * 8
"""Room for a structure of which only the library knows what it holds: memory, instance."""
_KIND_BYTES = 8
_FUNC, _MEMORY = 0, 3
"""Kinds of an extern (extern.h)."""

Callback = ctypes.CFUNCTYPE(_P, _P)
"""wasmtime_func_unchecked_callback_t (func.h). Of its arguments the first, which is NULL here, is enough; it gives
NULL: no trap."""


class _Bytes(ctypes.Structure):
    """wasm_byte_vec_t (wasm.h)."""

    _fields_ = (("size", _SIZE), ("data", _P))


class _Limits(ctypes.Structure):
    """wasm_limits_t (wasm.h)."""

    _fields_ = (("min", ctypes.c_uint32), ("max", ctypes.c_uint32))


_FUNCTIONS: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "wasm_config_new": (_P, ()),
    "wasmtime_config_memory_reservation_set": (None, (_P, ctypes.c_uint64)),
    "wasmtime_config_memory_reservation_for_growth_set": (None, (_P, ctypes.c_uint64)),
    "wasmtime_config_memory_guard_size_set": (None, (_P, ctypes.c_uint64)),
    "wasmtime_config_cranelift_flag_set": (None, (_P, _TEXT, _TEXT)),
    "wasm_engine_new_with_config": (_P, (_P,)),
    "wasm_byte_vec_delete": (None, (_P,)),
    "wasmtime_error_message": (None, (_P, _P)),
    "wasmtime_error_delete": (None, (_P,)),
    "wasmtime_module_new": (_P, (_P, _TEXT, _SIZE, _P)),
    "wasmtime_module_serialize": (_P, (_P, _P)),
    "wasmtime_module_deserialize": (_P, (_P, _TEXT, _SIZE, _P)),
    "wasmtime_store_new": (_P, (_P, _P, _P)),
    "wasmtime_store_delete": (None, (_P,)),
    "wasmtime_store_context": (_P, (_P,)),
    "wasm_memorytype_new": (_P, (_P,)),
    "wasm_memorytype_delete": (None, (_P,)),
    "wasmtime_memory_new": (_P, (_P, _P, _P)),
    "wasmtime_memory_data": (_P, (_P, _P)),
    "wasmtime_memory_data_size": (_SIZE, (_P, _P)),
    "wasm_valtype_vec_new_empty": (None, (_P,)),
    "wasm_functype_new": (_P, (_P, _P)),
    "wasm_functype_delete": (None, (_P,)),
    "wasmtime_linker_new": (_P, (_P,)),
    "wasmtime_linker_delete": (None, (_P,)),
    "wasmtime_linker_define": (_P, (_P, _P, _TEXT, _SIZE, _TEXT, _SIZE, _P)),
    "wasmtime_linker_define_func_unchecked": (_P, (_P, _TEXT, _SIZE, _TEXT, _SIZE, _P, Callback, _P, _P)),
    "wasmtime_linker_instantiate": (_P, (_P, _P, _P, _P, _P)),
    "wasmtime_instance_export_get": (ctypes.c_bool, (_P, _P, _TEXT, _SIZE, _P)),
    "wasmtime_func_call_unchecked": (_P, (_P, _P, _P, _SIZE, _P)),
}
"""Result and arguments of each function."""


class Library:
    """The library, with an engine.

    Attributes:
        version: of the package.
        functions: the C functions by name.
        engine: wasm_engine_t.

    Raises:
        NoCoreError: the package is not here, or holds no library.
    """

    def __init__(self) -> None:
        spec = find_spec("wasmtime")
        folders = list(spec.submodule_search_locations or ()) if spec is not None else []
        if not folders:
            raise NoCoreError("there is no package wasmtime")
        name = next((path for folder in folders for path in sorted(Path(folder).glob("*/*wasmtime.*"))), None)
        if name is None:
            raise NoCoreError(f"the package wasmtime in {folders[0]} holds no library")
        self.version = version("wasmtime")
        library = ctypes.CDLL(str(name))
        self.functions: dict[str, Any] = {}
        for function, (result, arguments) in _FUNCTIONS.items():
            bound = self.functions[function] = getattr(library, function)
            bound.restype, bound.argtypes = result, arguments
        call = self.functions
        config = call["wasm_config_new"]()
        call["wasmtime_config_memory_reservation_set"](config, 0)  # a memory takes what it holds, no more
        call["wasmtime_config_memory_reservation_for_growth_set"](config, 0)
        call["wasmtime_config_memory_guard_size_set"](config, WASM_PAGE)
        # The module is our own: nothing in it could be made to look where it should not, so its bounds checks need no
        # second line. With it instructions take twice as long.
        call["wasmtime_config_cranelift_flag_set"](config, b"enable_heap_access_spectre_mitigation", b"false")
        self.engine = _there(call["wasm_engine_new_with_config"](config), "engine")

    def check(self, error: int | None) -> None:
        """Raise what the library says is wrong.

        Raises:
            NoCoreError: an error was given.
        """
        if not error:
            return
        text = _Bytes()
        self.functions["wasmtime_error_message"](error, ctypes.byref(text))
        words = ctypes.string_at(text.data, text.size).decode(errors="replace") if text.data else "an error"
        self.functions["wasm_byte_vec_delete"](ctypes.byref(text))
        self.functions["wasmtime_error_delete"](error)
        raise NoCoreError(words.partition("\n")[0])

    def compile(self, source: bytes) -> int:
        """A module (wasmtime_module_t) of its binary form; it lives as long as the process."""
        return self._module("wasmtime_module_new", source)

    def deserialize(self, content: bytes) -> int:
        """A module of what `serialize` gave; as trusted as code."""
        return self._module("wasmtime_module_deserialize", content)

    def _module(self, function: str, content: bytes) -> int:
        module = _P()
        self.check(self.functions[function](self.engine, content, len(content), ctypes.byref(module)))
        return _there(module.value, "module")

    def serialize(self, module: int) -> bytes:
        """Machine code of a module."""
        content = _Bytes()
        self.check(self.functions["wasmtime_module_serialize"](module, ctypes.byref(content)))
        found = ctypes.string_at(content.data, content.size)
        self.functions["wasm_byte_vec_delete"](ctypes.byref(content))
        return found


class Store:
    """A module's instance with a memory of its own; freed when nobody holds it any more.

    Args:
        library: the library.
        module: wasmtime_module_t.
        pages: size of the memory, minimum and maximum.
        answers: functions that the module imports from "host", besides the memory.

    Attributes:
        context: wasmtime_context_t.
        address: of the first byte of the memory.
        size: bytes of it.
    """

    def __init__(self, library: Library, module: int, pages: int, answers: dict[bytes, Any]) -> None:
        call = self._call = library.functions
        self._library = library
        self._answers = answers  # the library holds no reference to them
        store = _there(call["wasmtime_store_new"](library.engine, None, None), "store")
        # Not at exit: another thread may still be inside the core then, and the system takes the memory back anyway.
        weakref.finalize(self, call["wasmtime_store_delete"], store).atexit = False
        self.context = call["wasmtime_store_context"](store)
        self._memory = _Private()
        kind = call["wasm_memorytype_new"](ctypes.byref(_Limits(pages, pages)))
        error = call["wasmtime_memory_new"](self.context, kind, ctypes.byref(self._memory))
        call["wasm_memorytype_delete"](kind)
        library.check(error)
        self._instance = _Private()
        linker = _there(call["wasmtime_linker_new"](library.engine), "linker")
        try:
            self._link(linker, module)
        finally:
            call["wasmtime_linker_delete"](linker)
        self.address = call["wasmtime_memory_data"](self.context, ctypes.byref(self._memory))
        self.size = call["wasmtime_memory_data_size"](self.context, ctypes.byref(self._memory))

    def _link(self, linker: int, module: int) -> None:
        call, check = self._call, self._library.check
        item = (ctypes.c_uint8 * (_KIND_BYTES + ctypes.sizeof(_Private)))(_MEMORY)
        ctypes.memmove(ctypes.addressof(item) + _KIND_BYTES, self._memory, ctypes.sizeof(_Private))
        check(call["wasmtime_linker_define"](linker, self.context, b"host", 4, b"memory", 6, ctypes.byref(item)))
        for name, answer in self._answers.items():
            nothing = (_Bytes(), _Bytes())
            for values in nothing:
                call["wasm_valtype_vec_new_empty"](ctypes.byref(values))
            kind = call["wasm_functype_new"](*(ctypes.byref(values) for values in nothing))
            define = call["wasmtime_linker_define_func_unchecked"]
            error = define(linker, b"host", 4, name, len(name), kind, answer, None, None)
            call["wasm_functype_delete"](kind)
            check(error)
        trap = _P()
        instance, instantiate = ctypes.byref(self._instance), call["wasmtime_linker_instantiate"]
        check(instantiate(linker, self.context, module, instance, ctypes.byref(trap)))

    def exported(self, name: bytes) -> Any:
        """A function (wasmtime_func_t) that the module exports.

        Raises:
            NoCoreError: there is none of that name.
        """
        item = (ctypes.c_uint8 * (_KIND_BYTES + ctypes.sizeof(_Private)))()
        get = self._call["wasmtime_instance_export_get"]
        if not get(self.context, ctypes.byref(self._instance), name, len(name), ctypes.byref(item)) or item[0] != _FUNC:
            raise NoCoreError(f"the core has no function {name.decode()}")
        function = _Private()
        ctypes.memmove(function, ctypes.addressof(item) + _KIND_BYTES, ctypes.sizeof(_Private))
        return function


def _there(pointer: int | None, what: str) -> int:
    if not pointer:
        raise NoCoreError(f"the library gives no {what}")
    return pointer
