//! Shapes mined from lines of known origin, beside the reference implementation on the same lines.
