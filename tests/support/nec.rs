//! A frame of a remote control.

/// Edges of one frame of the remote that a test's owner holds: NEC address 4, command 8 (see `rewriting`).
pub(crate) fn frame(from_us: u64) -> Vec<u64> {
    let mut edges = vec![from_us];
    let mut lengths = vec![9000, 4500];
    for byte in [4u8, !4, 8, !8] {
        for bit in 0..8 {
            lengths.extend([563, if byte >> bit & 1 == 1 { 1688 } else { 563 }]);
        }
    }
    lengths.push(563);
    for length in lengths {
        edges.push(edges[edges.len() - 1] + length);
    }
    edges
}
