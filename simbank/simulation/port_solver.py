"""Currents of the ports: what each imposes, against what the bank shows them."""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_entry, jit_inline, jit_internal
from simbank.simulation import arrays as ar


@jit_entry
def commanded(t, ports, a):
    """What the command of port ``a`` asks at ``t`` [A, W or ohm]."""
    return ports[a, ar.COMMANDED] + ports[a, ar.COMMANDED_SLOPE] * t


@jit_inline
def imposed(t, ports, a):
    """What port ``a`` imposes at ``t``, by its mode [A, V, W or ohm]."""
    if ports[a, ar.MODE] == ar.MODE_VOLTAGE:
        return ports[a, ar.VOLT_LIMIT]
    if ports[a, ar.MODE] == ar.MODE_LIMIT:
        return -ports[a, ar.CURRENT_MAX]
    return commanded(t, ports, a)


@jit_internal
def port_currents(t, hybrid, ports, port):
    """Currents [A] and voltages [V] of the ports into ``port``, from what the bank shows them.

    The bank shows ``V = V_open + hybrid[n:, n:] · J``. Each port imposes its current, voltage, power or resistance; for power
    the root on the high-voltage side is taken, and where there is none, the current of greatest power. Several ports at once are
    solved together, at first from the currents that ``port`` still holds.
    """
    p = ports.shape[0]
    n = hybrid.shape[1] - p
    hard = 0
    for a in range(p):
        mode = ports[a, ar.MODE]
        if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF:
            port[ar.PORT_CURRENT, a] = 0.0
        elif mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
            port[ar.PORT_CURRENT, a] = imposed(t, ports, a)
        else:
            hard += 1
    if hard > 0 and (p == 1 or not _newton(t, hybrid, ports, port)):
        _each_alone(t, hybrid, ports, port)
        if p > 1:
            _together(t, hybrid, ports, port)
    for a in range(p):
        v = port[ar.PORT_OPEN_VOLTAGE, a]
        for b in range(p):
            v += hybrid[n + a, n + b] * port[ar.PORT_CURRENT, b]
        port[ar.PORT_VOLTAGE, a] = v


@jit_internal
def _each_alone(t, hybrid, ports, port):
    """The current of each port that imposes no current, with the others at rest."""
    n = hybrid.shape[1] - ports.shape[0]
    for a in range(ports.shape[0]):
        mode = ports[a, ar.MODE]
        if ports[a, ar.LIVE] > 0.0 and (mode == ar.MODE_VOLTAGE or mode == ar.MODE_POWER or mode == ar.MODE_RESISTANCE):
            port[ar.PORT_CURRENT, a] = _single(mode, imposed(t, ports, a), port[ar.PORT_OPEN_VOLTAGE, a], -hybrid[n + a, n + a])


@jit_inline
def _single(mode, setpoint, open_volt, ohm):
    """Current of one port behind ``ohm`` with the others at rest: Ohm's law, or the quadratic of constant power."""
    if mode == ar.MODE_VOLTAGE:
        return (open_volt - setpoint) / ohm
    if mode == ar.MODE_RESISTANCE:
        return open_volt / (setpoint + ohm)
    if setpoint == 0.0 or (setpoint > 0.0 and open_volt <= 0.0):
        return 0.0
    inside = open_volt * open_volt - 4.0 * ohm * setpoint
    if inside <= 0.0:
        return open_volt / (2.0 * ohm)
    return 2.0 * setpoint / (open_volt + np.sqrt(inside))


@jit_internal
def _together(t, hybrid, ports, port):
    """Currents of several ports at once [A]: each in turn is solved for the others' currents (Gauss-Seidel).

    That stays bounded where a power is beyond the bank; where none is, it comes near enough for Newton's method.
    """
    p = ports.shape[0]
    n = hybrid.shape[1] - p
    possible = True
    for _ in range(100):
        moved = 0.0
        possible = True
        for a in range(p):
            mode = ports[a, ar.MODE]
            if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF or mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
                continue
            setpoint = imposed(t, ports, a)
            volt = port[ar.PORT_OPEN_VOLTAGE, a]
            for b in range(p):
                if b != a:
                    volt += hybrid[n + a, n + b] * port[ar.PORT_CURRENT, b]
            if mode == ar.MODE_POWER and volt * volt + 4.0 * hybrid[n + a, n + a] * setpoint <= 0.0:
                possible = False
            new = _single(mode, setpoint, volt, -hybrid[n + a, n + a])
            moved = max(moved, abs(new - port[ar.PORT_CURRENT, a]) / (1.0 + abs(new)))
            port[ar.PORT_CURRENT, a] = new
        if moved < 1e-12 or (possible and moved < 1e-4):
            break
    if possible:
        _newton(t, hybrid, ports, port)


@jit_internal
def _newton(t, hybrid, ports, port):
    """The ports' currents [A] from near the solution to round-off, by Newton's method on V − V₀, V J − P or V − R J = 0.

    Returns whether it has come there, every power on the high-voltage side. Where it has not, the currents are as they were.
    """
    p = ports.shape[0]
    n = hybrid.shape[1] - p
    for a in range(p):
        port[ar.PREVIOUS_CURRENT, a] = port[ar.PORT_CURRENT, a]
    for _ in range(6):
        there, close, high = True, True, True
        for a in range(p):
            mode = ports[a, ar.MODE]
            if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF or mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
                for b in range(p):
                    port[ar.JACOBIAN + a, b] = 0.0
                port[ar.RESIDUAL, a], port[ar.JACOBIAN + a, a] = 0.0, 1.0
                continue
            setpoint = imposed(t, ports, a)
            v = port[ar.PORT_OPEN_VOLTAGE, a]
            factor = port[ar.PORT_CURRENT, a] if mode == ar.MODE_POWER else 1.0
            for b in range(p):
                v += hybrid[n + a, n + b] * port[ar.PORT_CURRENT, b]
                port[ar.JACOBIAN + a, b] = factor * hybrid[n + a, n + b]
            miss = v - setpoint
            if mode == ar.MODE_RESISTANCE:
                miss = v - setpoint * port[ar.PORT_CURRENT, a]
                port[ar.JACOBIAN + a, a] -= setpoint
            elif mode == ar.MODE_POWER:
                miss = v * port[ar.PORT_CURRENT, a] - setpoint
                port[ar.JACOBIAN + a, a] += v
                high = high and port[ar.JACOBIAN + a, a] > 0.0
            port[ar.RESIDUAL, a] = miss
            size = 1.0 + abs(setpoint)
            there = there and abs(miss) < 1e-13 * size
            close = close and abs(miss) < 1e-8 * size
        if high and there:
            return True
        # elimination without row exchange: what a port's own current does to it outweighs what the others' do
        for c in range(p):
            inverse = 1.0 / port[ar.JACOBIAN + c, c]
            port[ar.RESIDUAL, c] *= inverse
            for k in range(c + 1, p):
                port[ar.JACOBIAN + c, k] *= inverse
            for r in range(c + 1, p):
                factor = port[ar.JACOBIAN + r, c]
                port[ar.RESIDUAL, r] -= factor * port[ar.RESIDUAL, c]
                for k in range(c + 1, p):
                    port[ar.JACOBIAN + r, k] -= factor * port[ar.JACOBIAN + c, k]
        for c in range(p - 1, -1, -1):
            for k in range(c + 1, p):
                port[ar.RESIDUAL, c] -= port[ar.JACOBIAN + c, k] * port[ar.RESIDUAL, k]
            port[ar.PORT_CURRENT, c] -= port[ar.RESIDUAL, c]
        if high and close:  # after a step from as near as this only round-off is left
            return True
    for a in range(p):
        port[ar.PORT_CURRENT, a] = port[ar.PREVIOUS_CURRENT, a]
    return False
