"""Compiling with numba: the one place that knows it.

What is compiled reads as plain Python and can be run as such: scalars, loops, early returns. It reads and writes arrays
it is given, and makes none: so numba's counting of references, which would cost a hundred times what the numbers in
these loops cost, is switched off for all of it, and a function that would need it does not compile.
"""

import inspect
from collections.abc import Callable
from contextlib import suppress
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, Generic, ParamSpec, TypeVar

import numba as numba_library
import numpy as np
from numba import extending
from numba.core import caching, cgutils, codegen, compiler, datamodel
from numba.core.typing import templates

from quietward.contracts import fields

numba: Any = numba_library  # whose own types know neither its options nor its insides
FunctionCache: Any = caching.FunctionCache
IndexDataCacheFile: Any = caching.IndexDataCacheFile
data_models: Any = datamodel
NativeValue: Any = extending.NativeValue
unbox: Any = extending.unbox
read_parts_by: Any = extending.lower_getattr_generic
type_parts_by: Any = templates.infer_getattr
Compiler: Any = compiler.Compiler
JITCodeLibrary: Any = codegen.JITCodeLibrary
ir: Any = cgutils.ir  # type: ignore[attr-defined]
part_of: Any = cgutils.gep_inbounds
AttributeTemplate: Any = templates.AttributeTemplate

P = ParamSpec("P")
R = TypeVar("R")
OPTIONS: dict[str, Any] = {"_nrt": False, "error_model": "numpy", "no_cfunc_wrapper": True}
"""Without counting references; a division by zero gives what it gives in numpy; not to be called from C."""

NOTHING = object()
"""Is no argument."""


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that other compiled functions call.

    It becomes part of them: most of these are so short that a call takes longer than what is done in it. Called from
    Python it runs as the plain Python it is.
    """
    return function if numba.config.DISABLE_JIT else _Part(function)


class _Part(Generic[P, R]):
    """A function for compiled functions. Numba asks for its type; Python calls what was written.

    Without this, a call from Python would end the process: no entrance for such calls is compiled, since a hundred of
    them would double the time that the first start takes.
    """

    def __init__(self, function: Callable[P, R]) -> None:
        self.py_func = function
        self.__doc__ = function.__doc__
        self._dispatcher = numba.njit(
            no_cpython_wrapper=True, forceinline=True, pipeline_class=_PartCompiler, **OPTIONS
        )(function)
        self._numba_type_ = numba.types.Dispatcher(self._dispatcher)  # which does not keep it alive

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        return self.py_func(*args, **kwargs)


class _PartLibrary(JITCodeLibrary):  # type: ignore[misc]
    """What becomes of a part: code that waits for its entry point, which is optimised and made machine code as a whole.

    Numba would do both with each part, and all that it calls, at every level anew, for callers that do not exist.
    """

    def _optimize_final_module(self) -> None:
        """Leave that to the entry point."""

    def _finalize_final_module(self) -> None:
        self._finalize_dynamic_globals()
        self._finalized = True

    def get_pointer_to_function(self, _: str) -> int:
        """Return 0: there is no machine code."""
        self._ensure_finalized()
        return 0

    @property
    def codegen(self) -> Any:
        """What is to be told where constants of Python lie: nobody yet, see `EntryPoint._first`."""
        return _Nobody


class _Nobody:
    @staticmethod
    def set_env(name: str, environment: Any) -> None:
        pass


class _PartCompiler(Compiler):  # type: ignore[misc]
    """Compiles into a `_PartLibrary`."""

    def __init__(self, typing: Any, target: Any, _: Any, *rest: Any) -> None:
        super().__init__(typing, target, _PartLibrary(target.codegen(), "part"), *rest)


class EntryPoint(Generic[P, R]):
    """A compiled function that is called from Python, always with arguments of the same types and layouts.

    Nothing is compiled when it is made: a process that never calls it does not pay for it. The first call compiles, or
    reads what an earlier process has kept. To name the types of two hundred arrays and to take each of them apart costs
    fifty times the work at one bed: so tuples of arrays, which are handed over again and again, are looked at once, and
    then their address is given. What is new is looked at, since compiled code takes what it is given for what it was
    made for, whatever it is.

    state: name of the argument that is what is remembered of beds; its arrays lie bed by bed (`arrays.empty`).
    """

    def __init__(self, function: Callable[P, R], state: str = "") -> None:
        self._function = function
        self._names = list(inspect.signature(function).parameters)
        self._state = self._names.index(state) if state else None
        self.__doc__ = function.__doc__
        self._types: list[Any] = []
        self._layouts: list[_Layout | None] = []
        self._seen: list[Any] = []
        self._parts: list[Any] = []
        self._addresses: list[int] = []  # of `_parts`: to ask numpy for one takes longer than a second of one bed

    def __call__(self, *args: P.args, **_: P.kwargs) -> R:
        """Call it; arguments are given by position. Raises TypeError where one has another type or layout."""
        run = self._run or self._first(args)
        given: list[Any] = list(args)
        for place, argument in enumerate(args):
            if argument is self._seen[place]:
                given[place] = self._addresses[place]
                continue
            layout = _layout(argument)
            if layout is None or layout != self._layouts[place]:
                given[place] = self._look_at(place, argument)
        result: R = run(*given)
        return result

    _run: Any = None

    def _first(self, args: tuple[Any, ...]) -> Any:
        self._seen, self._parts, self._addresses = [NOTHING] * len(args), [None] * len(args), [0] * len(args)
        self._layouts = [_layout(argument) for argument in args]
        if numba.config.DISABLE_JIT:  # NUMBA_DISABLE_JIT=1: all of it as plain Python, to look at it step by step
            self._run = self._function
        else:
            self._types = [self._type_of(place, argument) for place, argument in enumerate(args)]
            self._run = self._dispatcher.compile(tuple(self._types))
            for made in self._dispatcher.overloads.values():  # constants of its parts, which had no code to tell
                for environment in made._find_referenced_environments():  # noqa: SLF001  # as numba itself does
                    made.codegen.set_env(environment.env_name, environment)
        return self._run

    def _look_at(self, place: int, argument: Any) -> Any:
        """Return what is handed over for an argument. Raises TypeError if it is not what was compiled for."""
        if not self._types:
            return argument
        if (kind := self._type_of(place, argument)) != self._types[place]:
            raise TypeError(
                f"{self._function.__name__}: {self._names[place]} is {kind}, and was compiled as {self._types[place]}"
            )
        if not isinstance(argument, tuple):
            return argument
        self._seen[place], self._parts[place] = argument, np.array(_parts(argument), dtype=np.int64)
        self._addresses[place] = self._parts[place].ctypes.data
        return self._addresses[place]

    def _type_of(self, place: int, argument: Any) -> Any:
        kind = _type_bed_by_bed(argument) if place == self._state else numba.typeof(argument)
        return _Held(kind) if isinstance(argument, tuple) else kind

    @cached_property
    def _dispatcher(self) -> Any:
        dispatcher = numba.njit(**OPTIONS)(self._function)
        with suppress(RuntimeError):  # no folder that can be written to: it is compiled anew in each process
            dispatcher._cache = _Kept(self._function)  # noqa: SLF001
        return dispatcher


def _type_bed_by_bed(argument: Any) -> Any:
    """Return the type of nested tuples of arrays in Fortran's order. Numba says C's where an array of one bed, or of
    none, is in both.
    """
    if isinstance(argument, tuple):
        return numba.types.BaseTuple.from_types([_type_bed_by_bed(one) for one in argument], type(argument))
    kind = numba.typeof(argument)
    return kind.copy(layout="F") if argument.ndim > 1 and argument.flags.f_contiguous else kind


class _Held(numba.types.Type):  # type: ignore[misc]
    """Type of a NamedTuple that is handed over as the address of its parts, and read where a part of it is used.

    Nothing changes its parts as long as compiled code runs; what its arrays hold may change.
    """

    def __init__(self, of: Any) -> None:
        super().__init__(f"held {of}")
        self.of = of


class _HeldModel(data_models.models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: _Held) -> None:
        super().__init__(manager, kind, manager.lookup(kind.of).get_value_type().as_pointer())


def _read_address(kind: Any, address: Any, c: Any) -> Any:
    return NativeValue(c.builder.bitcast(c.pyapi.long_as_voidptr(address), c.context.get_value_type(kind)))


class _HeldParts(AttributeTemplate):  # type: ignore[misc]
    key = _Held

    def generic_resolve(self, kind: Any, name: str) -> Any:
        part = kind.of.types[kind.of.fields.index(name)]
        return _Held(part) if isinstance(part, numba.types.BaseTuple) else part


def _read_part(_: Any, builder: Any, kind: Any, address: Any, name: str) -> Any:
    place = kind.of.fields.index(name)
    part = part_of(builder, address, 0, place)
    return part if isinstance(kind.of.types[place], numba.types.BaseTuple) else _read(builder, part)


def _read(builder: Any, address: Any) -> Any:
    """Read number by number what does not change, so that what is not used is not read and nothing is read twice."""
    kind = address.type.pointee
    if not isinstance(kind, ir.Aggregate):
        number = builder.load(address)
        number.set_metadata("invariant.load", builder.module.add_metadata([]))
        return number
    value = ir.Constant(kind, ir.Undefined)
    for place in range(len(kind)):
        value = builder.insert_value(value, _read(builder, part_of(builder, address, 0, place)), place)
    return value


data_models.register_default(_Held)(_HeldModel)
unbox(_Held)(_read_address)
read_parts_by(_Held)(_read_part)
type_parts_by(_HeldParts)


def _parts(argument: Any) -> list[int]:
    """Return what compiled code knows of nested tuples, number by number (numba's ArrayModel). Raises TypeError."""
    match argument:
        case tuple():
            return [number for one in argument for number in _parts(one)]
        case np.ndarray():
            return [0, 0, argument.size, argument.itemsize, argument.ctypes.data, *argument.shape, *argument.strides]
        case np.record():
            return [argument.__array_interface__["data"][0]]
        case int() if not isinstance(argument, bool):
            return [argument]
        case float():
            return [int(np.float64(argument).view(np.int64))]
    raise TypeError(f"{type(argument).__name__} cannot be handed over within a tuple")


_Layout = tuple[int, np.dtype[Any]]


def _layout(argument: Any) -> _Layout | None:
    """Return dimensions and dtype of an array in the usual order that can be written to; None for all else."""
    if type(argument) is np.ndarray and argument.flags.carray:
        return argument.ndim, argument.dtype
    return None


class _Kept(FunctionCache):  # type: ignore[misc]
    """Numba's files beside the module, or in the user's cache folder where that cannot be written to.

    Numba takes what is kept as long as the function's own file is the same. But what it calls is compiled into it: so
    here it is as long as all files of the core are the same, and that of `fields`, which it takes numbers from.
    Their digest is part of the files' names, since what other code has kept cannot even be opened: it names classes
    that may be gone.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(function)
        sources = _sources()
        base = self._impl.filename_base
        own = f"{base}-{sources[:16]}"
        self._cache_file = IndexDataCacheFile(self.cache_path, own, sources)
        name, python = base.rpartition("-")[0], base.rpartition(".")[2]  # what another Python has kept stays
        for file in Path(self.cache_path).glob(f"{name}-*.{python}[-.]*nb[ic]"):
            if not file.name.startswith(own):
                file.unlink(missing_ok=True)


def _sources() -> str:
    """Return a digest of everything that the compiled code was made from, whatever of it is loaded so far."""
    digest = sha256(numba.__version__.encode())
    files = sorted(Path(__file__).parent.rglob("*.py"))
    for file in [*files, Path(inspect.getfile(fields))]:
        digest.update(file.read_bytes())
    return digest.hexdigest()
