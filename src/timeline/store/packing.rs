//! Integers of variable length, for rows that hold many.

/// A signed number as one in which small steps either way are small.
pub(super) const fn fold(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)).cast_unsigned()
}

/// The other way.
pub(super) const fn unfold(value: u64) -> i64 {
    (value >> 1).cast_signed() ^ -((value & 1).cast_signed())
}

/// Appends an integer, seven bits a byte, low bits first.
pub(super) fn put(mut value: u64, into: &mut Vec<u8>) {
    while value >= 0x80 {
        into.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    into.push(value as u8);
}

/// The next integer; `None` when it is cut off or too long.
pub(super) fn integer(from: &mut &[u8]) -> Option<u64> {
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let (byte, rest) = from.split_first()?;
        *from = rest;
        value |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn what_is_put_is_read_back(values in proptest::collection::vec(any::<i64>(), 0..50)) {
            let mut bytes = Vec::new();
            values.iter().for_each(|value| put(fold(*value), &mut bytes));
            let mut rest = &bytes[..];
            for value in &values {
                prop_assert_eq!(integer(&mut rest).map(unfold), Some(*value));
            }
            prop_assert!(rest.is_empty());
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..50)) {
            let mut rest = &bytes[..];
            while integer(&mut rest).is_some() {}
        }
    }
}
