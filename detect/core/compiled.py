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
from numba.core import caching

from quietward.contracts import messages

numba: Any = numba_library  # whose own types know neither its options nor its insides
FunctionCache: Any = caching.FunctionCache
IndexDataCacheFile: Any = caching.IndexDataCacheFile

P = ParamSpec("P")
R = TypeVar("R")
OPTIONS: dict[str, Any] = {"_nrt": False, "error_model": "numpy", "no_cfunc_wrapper": True}
"""Without counting references; a division by zero gives what it gives in numpy; not to be called from C."""


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that other compiled functions call.

    It becomes part of them: to hand over a hundred arrays takes longer than what is done with them. Called from Python
    it runs as the plain Python it is.
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
        self._dispatcher = numba.njit(no_cpython_wrapper=True, forceinline=True, **OPTIONS)(function)
        self._numba_type_ = numba.types.Dispatcher(self._dispatcher)  # which does not keep it alive

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        return self.py_func(*args, **kwargs)


class EntryPoint(Generic[P, R]):
    """A compiled function that is called from Python, always with arguments of the same types and layouts.

    Nothing is compiled when it is made: a process that never calls it does not pay for it. The first call compiles, or
    reads what an earlier process has kept. From then on the types of what is handed over again are not looked at again:
    for a hundred arrays that costs more than all the work at one bed. What is new is looked at, since compiled code
    takes what it is given for what it was made for, whatever it is.
    """

    def __init__(self, function: Callable[P, R]) -> None:
        self._function = function
        self.__doc__ = function.__doc__
        self._seen: list[Any] = []

    def __call__(self, *args: P.args, **_: P.kwargs) -> R:
        """Call it; arguments are given by position. Raises TypeError where one has another type or layout."""
        run = self._run or self._first(args)
        for place, argument in enumerate(args):
            if argument is not self._seen[place]:
                self._check(place, argument)
        result: R = run(*args)
        return result

    _run: Any = None

    def _first(self, args: tuple[Any, ...]) -> Any:
        self._seen = [None] * len(args)
        if numba.config.DISABLE_JIT:  # NUMBA_DISABLE_JIT=1: all of it as plain Python, to look at it step by step
            self._types: tuple[Any, ...] = ()
            self._run = self._function
        else:
            self._types = tuple(numba.typeof(argument) for argument in args)
            self._run = self._dispatcher.compile(self._types)
        return self._run

    def _check(self, place: int, argument: Any) -> None:
        if self._types and (kind := numba.typeof(argument)) != self._types[place]:
            name = list(inspect.signature(self._function).parameters)[place]
            raise TypeError(f"{self._function.__name__}: {name} is {kind}, and was compiled as {self._types[place]}")
        if isinstance(argument, tuple):
            self._seen[place] = argument

    @cached_property
    def _dispatcher(self) -> Any:
        dispatcher = numba.njit(**OPTIONS)(self._function)
        with suppress(RuntimeError):  # no folder that can be written to: it is compiled anew in each process
            dispatcher._cache = _Kept(self._function)  # noqa: SLF001
        return dispatcher


class _Kept(FunctionCache):  # type: ignore[misc]
    """Numba's files beside the module, or in the user's cache folder where that cannot be written to.

    Numba takes what is kept as long as the function's own file is the same. But what it calls is compiled into it: so
    here it is as long as all files of the core are the same, and that of the messages, which it takes numbers from.
    Their digest is part of the files' names, since what other code has kept cannot even be opened: it names classes
    that may be gone.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(function)
        sources = _sources()
        own = f"{self._impl.filename_base}-{sources[:16]}"
        self._cache_file = IndexDataCacheFile(self.cache_path, own, sources)
        for file in Path(self.cache_path).glob(f"{own.rsplit('-', 2)[0]}-*.nb[ic]"):
            if not file.name.startswith(own):
                file.unlink(missing_ok=True)


def _sources() -> str:
    """Return a digest of everything that the compiled code was made from, whatever of it is loaded so far."""
    digest = sha256(numba.__version__.encode())
    files = sorted(Path(__file__).parent.rglob("*.py"))
    for file in [*files, Path(inspect.getfile(messages))]:
        digest.update(file.read_bytes())
    return digest.hexdigest()
