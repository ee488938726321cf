//! Node equations of a small resistor network, solved by eliminating one node after the other.
//!
//! Eliminating a node of a resistor star leaves a mesh between its neighbours (star-mesh transform). It is
//! Gaussian elimination of the nodal matrix written so that conductances are only ever added, multiplied
//! and divided: nothing cancels, and a milliohm beside a teraohm costs no digits.
//!
//! # Source
//! Star-mesh transform: A. Rosen, "A new network theorem", Journal of the IEE 62 (1924) 916. Elimination
//! without subtraction: Grassmann, Taksar and Heyman, Operations Research 33 (1985) 1107.

/// Most nodes that a circuit may have: two per line for four lines, and the common return.
const MOST: usize = 9;

/// A node of a circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Node(usize);

/// Resistors, current sources and grounded voltage sources with a resistance, between a few nodes.
#[derive(Clone, Debug)]
pub(super) struct Circuit {
    count: usize,
    /// Conductance between two nodes in siemens, symmetric.
    between: [[f64; MOST]; MOST],
    /// Conductance from a node to fixed potentials, siemens.
    fixed: [f64; MOST],
    /// Current into a node, amperes.
    current: [f64; MOST],
}

impl Circuit {
    pub(super) fn new() -> Self {
        Self { count: 0, between: [[0.0; MOST]; MOST], fixed: [0.0; MOST], current: [0.0; MOST] }
    }

    /// A new node; the last one again when there is no more room, which the callers' sizes exclude.
    pub(super) fn node(&mut self) -> Node {
        let index = self.count.min(MOST - 1);
        self.count = index + 1;
        Node(index)
    }

    /// A resistor between two nodes, in siemens so that an open one is zero.
    pub(super) fn join(&mut self, a: Node, b: Node, siemens: f64) {
        if a != b {
            self.between[a.0][b.0] += siemens;
            self.between[b.0][a.0] += siemens;
        }
    }

    /// A resistor from a node to a fixed potential.
    pub(super) fn tie(&mut self, a: Node, siemens: f64, volts: f64) {
        self.fixed[a.0] += siemens;
        self.current[a.0] += siemens * volts;
    }

    /// A current into a node.
    pub(super) fn inject(&mut self, a: Node, amperes: f64) {
        self.current[a.0] += amperes;
    }

    /// Thevenin equivalent at a node: conductance to fixed potentials (siemens) and current (amperes).
    pub(super) fn norton(mut self, keep: Node) -> (f64, f64) {
        for i in (0..self.count).rev().filter(|i| *i != keep.0) {
            let total = self.fixed[i] + self.between[i][..self.count].iter().sum::<f64>();
            if total <= 0.0 {
                continue;
            }
            for j in 0..self.count {
                let share = self.between[i][j] / total;
                if share == 0.0 {
                    continue;
                }
                self.fixed[j] += share * self.fixed[i];
                self.current[j] += share * self.current[i];
                for l in 0..self.count {
                    if l != j {
                        self.between[j][l] += share * self.between[i][l];
                    }
                }
            }
            for j in 0..self.count {
                self.between[i][j] = 0.0;
                self.between[j][i] = 0.0;
            }
            self.fixed[i] = 0.0;
            self.current[i] = 0.0;
        }
        (self.fixed[keep.0], self.current[keep.0])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn divider_of_two_equal_resistors_halves_the_supply() {
        // Closed form, any handbook: V = Vs * R2 / (R1 + R2).
        let mut circuit = Circuit::new();
        let a = circuit.node();
        circuit.tie(a, 1e-4, 3.0);
        circuit.tie(a, 1e-4, 0.0);
        let (siemens, amperes) = circuit.norton(a);
        assert!((amperes / siemens - 1.5).abs() < 1e-15);
    }

    #[test]
    fn unbalanced_bridge_matches_the_handbook() {
        // Wheatstone bridge with finite detector: solved by hand with Kirchhoff's rules for
        // 10 V, arms 1k/2k and 3k/4k, detector 5k: node equations give Va and Vb below.
        let (g1, g2, g3, g4, g5) = (1e-3, 0.5e-3, 1e-3 / 3.0, 0.25e-3, 0.2e-3);
        let mut circuit = Circuit::new();
        let a = circuit.node();
        let b = circuit.node();
        circuit.tie(a, g1, 10.0);
        circuit.tie(a, g2, 0.0);
        circuit.tie(b, g3, 10.0);
        circuit.tie(b, g4, 0.0);
        circuit.join(a, b, g5);
        let (siemens, amperes) = circuit.norton(a);
        // Cramer's rule on [[g1+g2+g5, -g5], [-g5, g3+g4+g5]] Va,Vb = [10 g1, 10 g3].
        let determinant: f64 = (g1 + g2 + g5) * (g3 + g4 + g5) - g5 * g5;
        let expected = (10.0 * g1 * (g3 + g4 + g5) + g5 * 10.0 * g3) / determinant;
        assert!((amperes / siemens - expected).abs() < 1e-12);
    }
}
