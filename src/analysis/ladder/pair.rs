//! Two lines with a leak between them: a press on one moves the other.

use crate::base::{Ohms, Volts};

use crate::analysis::ladder::circuit::Circuit;
use crate::analysis::ladder::fault::{Condition, Fault};
use crate::analysis::ladder::network::Network;

/// Voltages of two lines with a leak of `leak_ohm` between their nodes on the main board; `None` where a line
/// floats.
///
/// Each line is first reduced to the source and resistance that it shows at its node; the two nodes and the leak
/// are then solved together. With both lines idle at one voltage no current flows and the leak cannot be seen.
pub fn solve_pair(
    first: (&Network, &Condition, &[Fault]),
    second: (&Network, &Condition, &[Fault]),
    leak_ohm: f64,
) -> Option<(Volts, Volts)> {
    let mut circuit = Circuit::new();
    let mut nodes = Vec::with_capacity(2);
    for (network, condition, faults) in [first, second] {
        let (siemens, amperes) = network.norton(condition, faults);
        let node = circuit.node();
        circuit.tie(node, siemens, 0.0);
        circuit.inject(node, amperes);
        nodes.push(node);
    }
    let (a, b) = (*nodes.first()?, *nodes.get(1)?);
    circuit.join(a, b, 1.0 / leak_ohm.max(1e-9));
    let at = |node| {
        let (siemens, amperes) = circuit.clone().norton(node);
        (siemens > 1.0 / crate::analysis::ladder::FLOATING_OHM).then(|| Volts(amperes / siemens))
    };
    Some((at(a)?, at(b)?))
}

/// The leak between two lines that explains how far the other line moved: `other` is idle and should stand at its
/// idle voltage while `pressed` volts stand on the pressed line.
///
/// `None` when the other line did not move down, or the pressed line stands above it.
///
/// # Formula
/// `RX = (V_other - V_pressed) * Rpu / (V_idle - V_other)`, the current through the pull-up being that through the
/// leak.
pub fn leak_between(other: &Network, pressed: Volts, measured: Volts) -> Option<Ohms> {
    let idle = other.solve(&Condition::Idle, &[])?.0;
    let (across_pull_up, across_leak) = (idle - measured.0, measured.0 - pressed.0);
    (across_pull_up > 0.0 && across_leak > 0.0)
        .then(|| Ohms(across_leak * other.pull_up_ohm / across_pull_up))
}
