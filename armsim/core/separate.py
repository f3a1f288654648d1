"""Functions that kernels call by their address, so that each is compiled and optimised once, and beside the others.

A kernel otherwise contains all that it calls, and the compiler optimises that again: half of the time of a large one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from numba import typeof, types
from numba.core import cgutils as code
from numba.core.errors import TypingError
from numba.extending import intrinsic

from armsim.core.compile import Subroutine

F = TypeVar("F", bound=Callable[..., object])


class Separate(Subroutine):
    """Function that kernels call by its address, for arguments and a result of fixed types."""

    def __init__(
        self, function: Callable[..., object], examples: Callable[[], tuple[object, ...]], returns: Any
    ) -> None:
        super().__init__(function)
        self.dispatcher.examples, self.dispatcher.returns = examples, returns

    def address(self) -> int:
        """Address of the compiled function, compiled or loaded where it is not yet."""
        signature = _types_of(self.dispatcher)
        self.dispatcher.compile(signature)
        result = self.dispatcher.overloads[signature]
        assert result.signature.return_type == self.dispatcher.returns
        return int(result.library.get_pointer_to_function(result.fndesc.llvm_func_name))


def separate(examples: Callable[[], tuple[object, ...]], returns: Any = types.none) -> Callable[[F], F]:
    """Compile a function by itself, for arguments of the types of the examples and a result of a compiler's type."""
    return lambda function: Separate(function, examples, returns)  # type: ignore[return-value]


def types_of(examples: Sequence[object]) -> tuple[Any, ...]:
    """Types that the compiler gives to arguments."""
    return tuple(typeof(example) for example in examples)  # type: ignore[no-untyped-call]


def _types_of(dispatcher: Any) -> tuple[Any, ...]:
    return types_of(dispatcher.examples())


def _call(typing_context: Any, address: Any, function: Any, arguments: Any) -> Any:
    """Call a separate function at its address, with a tuple of arguments of the types for which it is compiled."""
    expected, actual = _types_of(function.dispatcher), tuple(arguments)
    if expected != actual:
        pairs = zip(expected, actual, strict=False)
        differing = "; ".join(f"{one} in place of {other}" for other, one in pairs if one != other)
        raise TypingError(f"{function} is called with {differing or 'another number of arguments'}")

    returns = function.dispatcher.returns

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        convention = context.call_conv
        pointer = convention.get_function_type(returns, actual).as_pointer()
        target = builder.inttoptr(values[0], pointer)
        unpacked = code.unpack_tuple(builder, values[2], len(actual))  # type: ignore[no-untyped-call]
        status, result = convention.call_function(builder, target, returns, actual, unpacked)
        with code.if_unlikely(builder, status.is_error):  # type: ignore[no-untyped-call]
            convention.return_status_propagate(builder, status)
        return result

    return returns(address, function, arguments), generate


call: Any = intrinsic(_call)
