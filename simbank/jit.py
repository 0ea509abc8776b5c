"""How functions are compiled, kept as machine code beside the package, and loaded again without the compiler.

A function that Python calls is compiled when it is first called with arrays of some kind; all that it calls is compiled with it, into one
piece of machine code, which is kept in a file. The next process loads that file by llvmlite alone: importing the compiler, and what its own
cache would load, takes longer than most runs. Where a file is missing, or anything about it is not as it was (sources, versions,
processor), the function is compiled anew.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import importlib.util
import os
import pickle
import re
import sys
import tempfile
from glob import glob
from importlib.machinery import EXTENSION_SUFFIXES, ExtensionFileLoader
from pathlib import Path

import numpy as np

__all__ = [
    "compiled_from", "compiling_set", "drop_stale", "jit_entry", "jit_inline", "jit_internal", "jit_wide", "sources", "told_busy",
    "told_of_compiling", "what_compiles",
]  # fmt: skip

# No compiled function makes an array, so that none need count references to them, which takes longer than most of their work.
# Division by zero gives infinity, as in numpy; whoever steps in time looks for that.
OPTIONS = {"error_model": "numpy", "no_cfunc_wrapper": True, "_nrt": False}
# Flags of an array that its type in compiled code depends on: contiguous by rows, by columns, aligned, writeable.
ROWS, COLUMNS, WRITEABLE, LAYOUT = 0x1, 0x2, 0x400, 0x501

# Types of numpy that compiled code takes as it takes Python's own.
PYTHONS = {np.float64: float, np.int64: int, np.bool_: bool}

# A line that imports from the package, and the names in it, without what they are called here.
IMPORT = re.compile(rb"\nfrom (simbank[\w.]*) import (\([^)]*\)|[^#\n]*)")
NAME = re.compile(rb"(\w+)(?: as \w+)?")


class Compiled:
    """A function that is compiled, or loaded, when it is first called.

    Parameters
    ----------
    function : callable
        As Python has it; stays there as ``py_func``.
    options : dict
        Of the compiler.

    Attributes
    ----------
    belongs_to : str
        What a person is told that is compiled, where whoever calls it has not said it.
    """

    belongs_to = "the equations"

    def __init__(self, function, options):
        functools.update_wrapper(self, function)
        self.py_func, self.options = function, options
        self._native = {}  # by kind of arguments

    def __call__(self, *args):
        native = self._native.get(kind_of(args)) or self.ready(args)
        return native(*args)

    def __reduce__(self):
        return self.__qualname__  # by its name in its module, as functions are pickled

    def ready(self, args):
        """What Python calls with such arguments, loaded or compiled."""
        kind = kind_of(args)
        if not self.is_loaded(kind):
            self._native[kind] = self._compile(kind, args)
        return self._native[kind]

    def is_loaded(self, kind):
        """Whether it is there for such a kind of arguments; loads it if it is kept."""
        if kind not in self._native:
            native = self._load(kind)
            if native is not None:
                self._native[kind] = native
        return kind in self._native

    @functools.cached_property
    def dispatcher(self):
        """What the compiler makes of the function."""
        return _compiler().njit(**self.options)(self.py_func)

    def _file(self, kind):
        """Where its machine code is kept for one kind of arguments."""
        digest = hashlib.sha256(repr((kind, *_made_for())).encode()).hexdigest()[:24]
        return _folder() / f"{self.__module__}.{self.__name__}-{digest}.code"

    def _load(self, kind):
        """The function as it was compiled before, or None."""
        try:
            code, symbol, env_name, needs = pickle.loads(self._file(kind).read_bytes())
            return _linked(code, symbol, env_name, needs, self.__name__)
        except (OSError, ValueError, TypeError, EOFError, ImportError, AttributeError, pickle.UnpicklingError):
            return None

    def _compile(self, kind, args):
        """The function compiled for such arguments, kept for the next process."""
        numba, dispatcher = _compiler(), self.dispatcher
        types = tuple(numba.typeof(arg) for arg in args)
        with compiling_set(_sets[-1] if _sets else self.belongs_to), _deferred(), _no_collector():
            dispatcher.compile(types)
        made = dispatcher.overloads[types]
        library, environment = made.library, made.environment
        # not where it needs objects of Python, which no file holds, nor where sources were changed since they were loaded
        if not environment.consts and digest_of(Path(__file__).parent) == sources():
            module = library._final_module
            needs = [
                thing.name for things in (module.functions, module.global_variables) for thing in things if thing.is_declaration
            ]
            needs = [name for name in needs if not name.startswith("llvm.")]
            symbol, env_name = made.fndesc.llvm_cpython_wrapper_name, made.fndesc.env_name
            with contextlib.suppress(OSError, RuntimeError, ValueError):
                _keep(self._file(kind), pickle.dumps((library._get_compiled_object(), symbol, env_name, needs)))
        return made.entry_point


def jit_entry(function):
    """A compiled function that Python may call. It makes no arrays: what it writes to is handed in."""
    return Compiled(function, OPTIONS)


def jit_internal(function):
    """A compiled function that only compiled code calls: without a wrapper for Python it compiles faster."""
    return Compiled(function, OPTIONS | {"no_cpython_wrapper": True})


def jit_inline(function):
    """Likewise, of a few lines that are cheaper written out than called."""
    return Compiled(function, OPTIONS | {"no_cpython_wrapper": True, "forceinline": True})


def jit_wide(function):
    """Likewise, with long loops over packs or branches, in which the processor is to work on several numbers at once.

    Elsewhere it is not: for a handful of packs that costs more than it gives, and a tenth of the time to compile.
    """
    _wide.add(function)
    return jit_internal(function)


_wide = set()  # functions of Python


def kind_of(args):
    """What compiled code depends on in its arguments: types, and of arrays the type of their elements, dimensions and layout."""
    kind = []
    _add_kind(args, kind.append)
    return tuple(kind)


def _add_kind(args, add):
    for arg in args:
        of = type(arg)
        if of is np.ndarray:
            flags = arg.flags.num
            add(flags & LAYOUT if flags & ROWS else flags & (LAYOUT | COLUMNS))
            add(arg.ndim)
            add(arg.dtype)
        elif isinstance(arg, tuple):
            add(of)
            add(len(arg))
            _add_kind(arg, add)
        else:
            add(PYTHONS.get(of, of))


# ---- files of machine code ----


def _keep(path, content):
    """Write a file whole, or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


@functools.cache
def _folder():
    """Where machine code is kept: where the compiler is told to by its own variable, else in the package, else in the user's folder."""
    told = os.environ.get("NUMBA_CACHE_DIR")
    if told:
        return Path(told)
    beside = Path(__file__).parent / "__pycache__"
    with contextlib.suppress(OSError):
        beside.mkdir(exist_ok=True)
    if os.access(beside, os.W_OK):
        return beside
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "simbank"


@functools.cache
def _made_for():
    """What machine code is made from and for: sources, Python, compiler, processor."""
    from llvmlite import binding

    home = _compilers_folder()
    files = [
        Path(binding.__file__).parent.parent / "_version.py",
        home / "_version.py",
        *(_extension_file(name) for name in EXTENSIONS),
    ]
    stats = [(path.name, path.stat().st_size, path.stat().st_mtime_ns) for path in files]
    settings = sorted((key, value) for key, value in os.environ.items() if key.startswith("NUMBA_") and key != "NUMBA_CACHE_DIR")
    return (
        sources(),
        sys.version,
        np.__version__,
        stats,
        settings,
        binding.get_host_cpu_name(),
        binding.get_host_cpu_features().flatten(),
    )


# ---- loading without the compiler ----

EXTENSIONS = (
    "_helperlib",
    "_dynfunc",
)  # of the compiler: what its machine code calls, and functions of Python made of machine code


@functools.cache
def _compilers_folder():
    return Path(importlib.util.find_spec("numba").origin).parent


def _extension_file(name):
    for suffix in EXTENSION_SUFFIXES:
        path = _compilers_folder() / (name + suffix)
        if path.exists():
            return path
    raise FileNotFoundError(name)


def _extension(name):
    """An extension module of the compiler's, without importing the compiler."""
    full = f"numba.{name}"
    if full in sys.modules:
        return sys.modules[full]
    path = str(_extension_file(name))
    spec = importlib.util.spec_from_file_location(full, path, loader=ExtensionFileLoader(full, path))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@functools.cache
def _engine():
    """What links machine code into this process, with the functions that it calls told."""
    import builtins

    from llvmlite import binding

    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    helpers = [_extension(name).c_helpers for name in EXTENSIONS]
    binding.add_symbol("_Py_NoneStruct", id(None))
    for named in helpers:
        for name, address in named.items():
            binding.add_symbol(f"numba_{name}", address)
    for thing in vars(builtins).values():
        if isinstance(thing, type) and issubclass(thing, BaseException):
            binding.add_symbol(f"PyExc_{thing.__name__}", id(thing))
    machine = binding.Target.from_default_triple().create_target_machine(codemodel="jitdefault", jit=True)
    return binding.create_mcjit_compiler(binding.parse_assembly(""), machine)


def _linked(code, symbol, env_name, needs, name):
    """A function of Python from machine code; None where something that the code needs is not there."""
    import ctypes

    from llvmlite import binding

    engine, dynfunc = _engine(), _extension("_dynfunc")
    if not all(binding.address_of_symbol(need) for need in needs):
        return None
    engine.add_object_file(binding.ObjectFileRef.from_data(code))
    engine.finalize_object()
    environment = dynfunc.Environment({})
    place = engine.get_global_value_address(env_name)
    ctypes.c_void_p.from_address(place).value = id(environment)
    address = engine.get_function_address(symbol)
    return dynfunc.make_function(sys.modules[__name__], name, name, address, environment, (engine, environment))


# ---- the compiler ----

_tellers = []
_sets = []  # what is being compiled, in words


@contextlib.contextmanager
def told_of_compiling(tell):
    """Within, ``tell(True)`` is called when the compiler begins, which it does where nothing was kept, and ``tell(False)`` after."""
    if "numba" in sys.modules:
        _compiler()
    _tellers.append(tell)
    try:
        yield
    finally:
        _tellers.remove(tell)


@contextlib.contextmanager
def told_busy():
    """Within, it is told that the compiler is at work: that of another process, which is waited for."""
    for tell in _tellers:
        tell(True)
    try:
        yield
    finally:
        for tell in _tellers:
            tell(False)


@contextlib.contextmanager
def compiling_set(name):
    """Within, what is compiled is told to a person by this name."""
    _sets.append(name)
    try:
        yield
    finally:
        _sets.pop()


def what_compiles():
    """What is being compiled, in words: "the equations of the fast integrator"."""
    return _sets[-1] if _sets else Compiled.belongs_to


@functools.cache
def _compiler():
    """The compiler, taught what a :class:`Compiled` is, and to make machine code only of what Python calls."""
    import numba
    from numba.core import event, types
    from numba.extending import typeof_impl

    class Listener(event.Listener):
        deep = 0

        def on_start(self, _):
            self.deep += 1
            for tell in _tellers:
                tell(True)

        def on_end(self, _):
            self.deep -= 1
            for tell in _tellers:
                tell(self.deep > 0)

    event.register("numba:compile", Listener())
    typeof_impl.register(Compiled)(lambda function, _: types.Dispatcher(function.dispatcher))
    _teach_deferring()
    _teach_remembering()
    return numba


_defers = False


@contextlib.contextmanager
def _deferred():
    """Within, a function without a wrapper for Python is neither optimised nor made into machine code by itself, but wide ones."""
    global _defers
    before, _defers = _defers, True
    try:
        yield
    finally:
        _defers = before


def _teach_deferring():
    """Let the compiler link what a function calls into it as it was written, and optimise that once, as a whole.

    It would otherwise optimise each function and make machine code of it, then again within each of those that call it, and so on up.
    """
    from numba.core import codegen, config, typed_passes

    library, lowering = codegen.JITCodeLibrary, typed_passes.BaseNativeLowering
    finalize, pointer, lower, set_env, optimize = (
        library.finalize, library.get_pointer_to_function, lowering.run_pass, codegen.JITCPUCodegen.set_env,
        library._optimize_final_module,
    )  # fmt: skip

    def lower_deferred(self, state):
        if state.library is None:
            state.library = state.targetctx.codegen().create_library(state.func_id.func_qualname)
            state.library.enable_object_caching()
        state.library.is_wide = state.func_id.func in _wide
        state.library.is_deferred = _defers and bool(state.flags.no_cpython_wrapper) and not state.library.is_wide
        return lower(self, state)

    def below(self, found):
        for called in self._linking_libraries:
            if called not in found:
                found[called] = True
                if getattr(called, "is_deferred", False):
                    below(called, found)
        return found

    def finalize_deferred(self):
        if getattr(self, "is_deferred", False):
            self._raise_if_finalized()
            self._finalize_dynamic_globals()
            self._finalized = True
            return
        self._linking_libraries = list(below(self, {}))
        finalize(self)

    def optimize_wide(self):
        before, config.LOOP_VECTORIZE = config.LOOP_VECTORIZE, getattr(self, "is_wide", False)
        try:
            optimize(self)
        finally:
            config.LOOP_VECTORIZE = before

    def pointer_deferred(self, name):
        if getattr(self, "is_deferred", False):
            if all(function.name != name for function in self._final_module.functions):
                return 0
            self.is_deferred = self._finalized = False  # asked for after all
            self._shared_module = None
            finalize_deferred(self)
        return pointer(self, name)

    def set_env_deferred(self, name, environment):
        if self._engine.is_symbol_defined(name):
            set_env(self, name, environment)

    library.finalize, library.get_pointer_to_function, lowering.run_pass = finalize_deferred, pointer_deferred, lower_deferred
    library._optimize_final_module, codegen.JITCPUCodegen.set_env = optimize_wide, set_env_deferred


def _teach_remembering():
    """Let the compiler look for the types of an operation only once for the same types of its arguments: an eighth of its time.

    Only while it compiles functions of this package: what others compile in the same process may add operations in between.
    """
    from numba.core import types

    look = types.Function.get_call_type

    def remembered(self, context, args, kws):
        if kws or not _defers:
            return look(self, context, args, kws)
        found, key = self.__dict__.setdefault("_simbank_found", {}), tuple(args)
        if found.get(key) is None:
            found[key] = look(self, context, args, kws)
        return found[key]

    types.Function.get_call_type = remembered


@contextlib.contextmanager
def _no_collector():
    """Within, Python does not look for circles of objects that nobody needs: the compiler keeps nearly all it makes, some 0.1 GB."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


# ---- sources ----


def compiled_from(root):
    """The files below ``root`` (the package) on which compiled code depends, as {path: content}.

    They are those that import this module and all that they import from the package, however deep, this one among them: what a
    compiled function takes from a file of constants is in its machine code.
    """
    contents = {path: (root / path).read_bytes() for path in sorted(glob("**/*.py", root_dir=root, recursive=True))}
    modules = {"simbank/" + path.removesuffix(".py").removesuffix("/__init__"): path for path in contents}

    @functools.cache
    def imported(path):
        found = set()
        for home, names in IMPORT.findall(contents[path]):
            home = home.decode().replace(".", "/")
            # each name is a module, or something in the module that it is imported from
            found |= {modules.get(f"{home}/{name.decode()}", modules.get(home)) for name in NAME.findall(names)}
        return found - {None}

    left = [path for path in contents if Path(__file__).name in imported(path)]
    found = set(left)
    while left:
        new = imported(left.pop()) - found
        found |= new
        left += new
    return {path: content for path, content in contents.items() if path in found}


def digest_of(root):
    """A digest of all files on which compiled code depends."""
    digest = hashlib.sha256()
    for path, content in compiled_from(root).items():
        digest.update(f"{path} {len(content)}\n".encode() + content)
    return digest.hexdigest()


@functools.cache
def sources():
    """A digest of the sources as this process has found them; code kept from older ones is deleted."""
    root = Path(__file__).parent
    drop_stale(root)
    return digest_of(root)


def drop_stale(root=None):
    """Delete machine code under ``root`` (the package) if its sources are not those of the stamp; True if it did.

    Where the folder cannot be written, nothing is done: machine code is then kept elsewhere, by the digest of its sources.
    """
    root = Path(root or Path(__file__).parent)
    digest = digest_of(root)
    stamp = root / "__pycache__" / "compiled_from.sha256"
    with contextlib.suppress(OSError):
        if stamp.exists() and stamp.read_text() == digest:
            return False
        for pattern in ("*.nbi", "*.nbc", "*.code"):
            for path in root.rglob(f"__pycache__/{pattern}"):
                path.unlink(missing_ok=True)
        stamp.parent.mkdir(exist_ok=True)
        stamp.write_text(digest)
        return True
    return False
