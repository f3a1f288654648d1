"""Functions that kernels call by their address, so that each is compiled once, in parallel with the others.

Otherwise a kernel contains the code of all functions that it calls, and the compiler optimises that code again, which
takes half of the compilation time of a large kernel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from numba import typeof, types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic

from armsim.core.compile import Subroutine

F = TypeVar("F", bound=Callable[..., object])


class AddressedFunction(Subroutine):
    """Function that kernels call by its address, for arguments and a result of fixed types."""

    def __init__(
        self, function: Callable[..., object], examples: Callable[[], tuple[object, ...]], returns: Any
    ) -> None:
        super().__init__(function)
        self.dispatcher.examples, self.dispatcher.returns = examples, returns

    def address(self) -> int:
        """Address of the compiled function, compiled or loaded first if needed."""
        signature = _types_of(self.dispatcher)
        self.dispatcher.compile(signature)
        result = self.dispatcher.overloads[signature]
        assert result.signature.return_type == self.dispatcher.returns
        return int(result.library.get_pointer_to_function(result.fndesc.llvm_func_name))


def call_by_address(examples: Callable[[], tuple[object, ...]], returns: Any = types.none) -> Callable[[F], F]:
    """Decorator: compile a function by itself.

    Parameters
    ----------
    examples : callable
        Returns arguments of the types for which it is compiled.
    returns : numba type
    """
    return lambda function: AddressedFunction(function, examples, returns)  # type: ignore[return-value]


def types_of(examples: Sequence[object]) -> tuple[Any, ...]:
    """Types that the compiler gives to arguments."""
    return tuple(typeof(example) for example in examples)  # type: ignore[no-untyped-call]


def _types_of(dispatcher: Any) -> tuple[Any, ...]:
    return types_of(dispatcher.examples())


def _generate_call(typing_context: Any, address: Any, function: Any, arguments: Any) -> Any:
    """Generate the call of a function at its address, with a tuple of arguments of the compiled types."""
    expected, actual = _types_of(function.dispatcher), tuple(arguments)
    if expected != actual:
        pairs = zip(expected, actual, strict=False)
        differing = "; ".join(
            f"{actual_type} in place of {compiled_type}"
            for compiled_type, actual_type in pairs
            if actual_type != compiled_type
        )
        raise TypingError(f"{function} is called with {differing or 'another number of arguments'}")

    returns = function.dispatcher.returns

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        convention = context.call_conv
        pointer = convention.get_function_type(returns, actual).as_pointer()
        target = builder.inttoptr(values[0], pointer)
        unpacked = cgutils.unpack_tuple(builder, values[2], len(actual))  # type: ignore[no-untyped-call]
        status, result = convention.call_function(builder, target, returns, actual, unpacked)
        with cgutils.if_unlikely(builder, status.is_error):  # type: ignore[no-untyped-call]
            convention.return_status_propagate(builder, status)
        return result

    return returns(address, function, arguments), generate


call_at_address: Any = intrinsic(_generate_call)
