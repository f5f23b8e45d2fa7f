"""Networks of any shape: modified nodal analysis, all frequencies at once.

For series, parallel and ladder circuits `ohmshift.chain.circuits` is quicker; bridges, coupled coils and several
outputs need this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ohmshift.chain.elements import Circuit, check_number, laplace_variable
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

GROUND = "0"
"""Name of the node that voltages are counted from."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Branch:
    """A circuit between two nodes.

    Parameters
    ----------
    first, second : str
        Names of the nodes; "0" is ground.
    part : Circuit
        What lies between them; its impedance must not be 0.
    """

    first: str
    second: str
    part: Circuit


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CoupledInductors:
    """Two coils on one core.

    Parameters
    ----------
    first, second : tuple of (str, str)
        Nodes of each coil, the dotted end first.
    first_h, second_h : float
        Inductance of each with the other open [H].
    coupling : float
        Coupling factor k, from 0 to 1; the mutual inductance is k sqrt(L_1 L_2).
    """

    first: tuple[str, str]
    second: tuple[str, str]
    first_h: float
    second_h: float
    coupling: float

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("CoupledInductors, first_h", self.first_h)
        check_number("CoupledInductors, second_h", self.second_h)
        if not 0 <= self.coupling <= 1:
            raise CurveError(
                "CoupledInductors, coupling", "it lies between 0 and 1", f"it is {self.coupling:g}", "mend it"
            )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class VoltageSource:
    """A source of fixed voltage.

    Parameters
    ----------
    positive, negative : str
        Names of its nodes.
    voltage_v : complex
        Voltage [V]; 0 makes it a wire.
    """

    positive: str
    negative: str = GROUND
    voltage_v: complex = 1.0


Element: TypeAlias = Branch | CoupledInductors | VoltageSource


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NodeVoltages:
    """The voltages of a network.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    nodes : tuple of str, length m
        Names of the nodes, ground apart.
    voltage_v : ndarray of complex, shape (m, n)
        Voltage of each node against ground [V].
    """

    frequency_hz: FloatArray
    nodes: tuple[str, ...]
    voltage_v: ComplexArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        object.__setattr__(self, "frequency_hz", read_only(self.frequency_hz))
        object.__setattr__(self, "voltage_v", read_only(self.voltage_v, np.complex128))

    def between(self, first: str, second: str = GROUND) -> ComplexArray:
        """Give the voltage between two nodes.

        Parameters
        ----------
        first, second : str
            Names of the nodes.

        Returns
        -------
        ndarray of complex, shape (n,)
            Voltage of the first against the second [V].

        Raises
        ------
        CurveError
            A node that the network does not have.
        """
        return np.asarray(self._of(first) - self._of(second))

    def _of(self, node: str) -> ComplexArray:
        if node == GROUND:
            return np.zeros(self.frequency_hz.size, dtype=np.complex128)
        return np.asarray(self.voltage_v[_number(self.nodes, node)])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Network:
    """Elements that share nodes.

    Parameters
    ----------
    elements : tuple of Branch, CoupledInductors or VoltageSource
        What it is made of. Every node must reach ground, node "0", through branches, coils or sources.

    Raises
    ------
    CurveError
        No elements, or a node that does not reach ground.

    Examples
    --------
    >>> from ohmshift.chain.elements import Resistor
    >>> bridge = Network(elements=tuple(
    ...     Branch(first=a, second=b, part=Resistor(resistance_ohm=r))
    ...     for a, b, r in [("in", "l", 10), ("in", "r", 20), ("l", "0", 20), ("r", "0", 10), ("l", "r", 5)]))
    >>> bridge.impedance_ohm([1000], "in").round(6)
    array([13.75+0.j])
    """

    elements: tuple[Element, ...]

    def __post_init__(self) -> None:
        """Check that ground is within reach of every node."""
        ends = [pair for element in self.elements for pair in _ends(element)]
        names = [GROUND, *self.nodes]
        at = {name: i for i, name in enumerate(names)}
        rows, columns = [at[a] for a, _ in ends], [at[b] for _, b in ends]
        graph = coo_array((np.ones(len(ends)), (rows, columns)), shape=(len(names), len(names)))
        _, islands = connected_components(graph, directed=False)
        lost = [name for name, island in zip(names, islands, strict=True) if island != islands[0]]
        if lost or not ends:
            raise CurveError(
                "Network",
                'every node must reach ground, node "0", through branches, coils or sources',
                f"{', '.join(lost) or 'the empty network'} does not",
                "join it; a transformer's second side too",
            )

    @property
    def nodes(self) -> tuple[str, ...]:
        """Names of the nodes, ground apart, in the order in which they first appear."""
        ends = (name for element in self.elements for pair in _ends(element) for name in pair)
        return tuple(dict.fromkeys(name for name in ends if name != GROUND))

    def solve(self, frequency_hz: npt.ArrayLike) -> NodeVoltages:
        """Give all node voltages that the sources make.

        Parameters
        ----------
        frequency_hz : array_like, shape (n,)
            Frequency [Hz], positive.

        Returns
        -------
        NodeVoltages
            Complex voltages.

        Raises
        ------
        CurveError
            A frequency out of range, a branch of 0 ohm, or sources that contradict each other.
        """
        f = np.asarray(frequency_hz, dtype=np.float64)
        matrix, sources = self._equations(laplace_variable(f))
        solution = _solved(matrix, np.broadcast_to(sources[:, np.newaxis], (f.size, sources.size, 1)))
        m = len(self.nodes)
        return NodeVoltages(frequency_hz=f, nodes=self.nodes, voltage_v=solution[:, :m, 0].T)

    def impedance_ohm(self, frequency_hz: npt.ArrayLike, first: str, second: str = GROUND) -> ComplexArray:
        """Give the impedance between two nodes, with voltage sources as wires.

        Parameters
        ----------
        frequency_hz : array_like, shape (n,)
            Frequency [Hz], positive.
        first, second : str
            Names of the nodes.

        Returns
        -------
        ndarray of complex, shape (n,)
            Impedance [ohm].

        Raises
        ------
        CurveError
            A node that the network does not have, a frequency out of range, or a branch of 0 ohm.
        """
        f = np.asarray(frequency_hz, dtype=np.float64)
        matrix, sources = self._equations(laplace_variable(f))
        current = np.zeros(sources.size, dtype=np.complex128)
        for node, sign in ((first, 1), (second, -1)):
            if node != GROUND:
                current[_number(self.nodes, node)] += sign
        solution = _solved(matrix, np.broadcast_to(current[:, np.newaxis], (f.size, current.size, 1)))
        return np.asarray(solution[..., 0] @ current)

    def _equations(self, s: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Set up G x = b: node voltages first, then the currents of coils and sources."""
        at = {name: i for i, name in enumerate(self.nodes)}
        extra = sum(0 if isinstance(e, Branch) else len(_ends(e)) for e in self.elements)
        size, row = len(at) + extra, len(at)
        matrix = np.zeros((s.size, size, size), dtype=np.complex128)
        sources = np.zeros(size, dtype=np.complex128)
        for element in self.elements:
            if isinstance(element, Branch):
                _stamp_branch(matrix, at, element, s)
                continue
            for k, ends in enumerate(_ends(element)):
                _stamp_current(matrix, at, ends, row + k)
            if isinstance(element, CoupledInductors):
                mutual_h = element.coupling * np.sqrt(element.first_h * element.second_h)
                matrix[:, row, row], matrix[:, row + 1, row + 1] = -s * element.first_h, -s * element.second_h
                matrix[:, row, row + 1] = matrix[:, row + 1, row] = -s * mutual_h
                row += 2
            else:
                sources[row] = element.voltage_v
                row += 1
        return matrix, sources


def _ends(element: Element) -> tuple[tuple[str, str], ...]:
    if isinstance(element, Branch):
        return ((element.first, element.second),)
    if isinstance(element, CoupledInductors):
        return (element.first, element.second)
    return ((element.positive, element.negative),)


def _number(nodes: tuple[str, ...], node: str) -> int:
    if node not in nodes:
        raise CurveError(
            "Network", f"its nodes are {', '.join(nodes)}, and {GROUND}", f"{node!r} was asked for", "name one of them"
        )
    return nodes.index(node)


def _stamp_branch(matrix: ComplexArray, at: dict[str, int], branch: Branch, s: ComplexArray) -> None:
    Z = branch.part._at(s)
    if np.any(Z == 0):
        raise CurveError(
            f"Branch {branch.first}-{branch.second}",
            "a branch needs an impedance",
            "it is 0 ohm",
            "join the two nodes into one",
        )
    Y = 1 / Z
    i, j = at.get(branch.first), at.get(branch.second)
    for a, b in ((i, j), (j, i)):
        if a is not None:
            matrix[:, a, a] += Y
            if b is not None:
                matrix[:, a, b] -= Y


def _stamp_current(matrix: ComplexArray, at: dict[str, int], ends: tuple[str, str], row: int) -> None:
    for node, sign in zip(ends, (1, -1), strict=True):
        if node in at:
            matrix[:, row, at[node]] += sign
            matrix[:, at[node], row] += sign


def _solved(matrix: ComplexArray, sides: ComplexArray) -> ComplexArray:
    try:
        return np.asarray(np.linalg.solve(matrix, sides))
    except np.linalg.LinAlgError as error:
        raise CurveError(
            "Network",
            "its equations need one solution",
            "they have none or many",
            "look for sources in a loop of wires, or an ideal resonance met exactly",
        ) from error
