"""Memory asked for ahead of its use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from swathledger._jit import jit_enabled, numba


def _make_prefetch() -> Callable[[Any, Any], None]:
    """:func:`prefetch` for compiled and for interpreted kernels."""
    if not jit_enabled():
        return lambda array, index: None
    from llvmlite import ir  # type: ignore[import-untyped]  # brings no types

    pointer = numba.core.cgutils.voidptr_t

    def typed(_typing: Any, array: Any, index: Any) -> Any:
        def generate(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            data = numba.np.arrayobj.make_array(array)(context, builder, arguments[0]).data
            place = builder.bitcast(builder.gep(data, [arguments[1]]), pointer)
            number = ir.IntType(32)
            kind = ir.FunctionType(ir.VoidType(), [pointer, number, number, number])
            function = builder.module.declare_intrinsic("llvm.prefetch", [pointer], kind)
            builder.call(function, [place, number(1), number(3), number(1)])  # to write, keep near, data
            return context.get_dummy_value()

        return numba.types.void(array, index), generate

    made: Any = numba.extending.intrinsic(typed)
    return cast("Callable[[Any, Any], None]", made)


prefetch = _make_prefetch()
"""``prefetch(array, k)``: have the processor fetch element ``k`` of a flat array, which will soon be wanted."""
