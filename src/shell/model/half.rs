//! IEEE 754 half precision, little endian, as model files hold their weights. By bits: a start of the recogniser converts 17
//! million of them there and back.

/// Least exponent field of a half in that of a single: 127 - 15.
const BIAS: u32 = 112;
/// The fraction of a single is so many bits longer.
const LONGER: u32 = 13;

/// The values in `bytes`, exact.
pub fn read(bytes: &[u8]) -> Vec<f32> {
    bytes.chunks_exact(2).map(|b| single(u16::from_le_bytes([b[0], b[1]]))).collect()
}

/// The bytes of `values`, each rounded to the nearest half.
pub fn written(values: &[f32]) -> Vec<u8> {
    values.iter().flat_map(|value| half(*value).to_le_bytes()).collect()
}

/// Half to single precision, exact.
fn single(half: u16) -> f32 {
    let sign = u32::from(half & 0x8000) << 16;
    let size = u32::from(half & 0x7fff) << LONGER;
    if half & 0x7c00 == 0x7c00 {
        return f32::from_bits(sign | 0x7f80_0000 | size);
    }
    // Read as a single the exponent is too small by the bias; that holds for the smallest halves too.
    f32::from_bits(sign | (f32::from_bits(size) * f32::from_bits((127 + BIAS) << 23)).to_bits())
}

/// Single to half precision, rounding to nearest, ties to even; too large becomes infinite.
fn half(value: f32) -> u16 {
    let sign = if value.is_sign_negative() { 0x8000 } else { 0 };
    if value.is_nan() {
        return sign | 0x7e00;
    }
    let size = value.abs();
    if size >= 65520.0 {
        return sign | 0x7c00;
    }
    if size < f32::from_bits((BIAS + 1) << 23) {
        // Below 2^-14 halves are multiples of 2^-24.
        return sign | (size * 16_777_216.0).round_ties_even() as u16;
    }
    // A carry out of the fraction runs into the exponent, which is what is wanted.
    let bits = size.to_bits() - (BIAS << 23);
    sign | ((bits + 0xfff + (bits >> LONGER & 1)) >> LONGER) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_survive_the_round_trip() {
        for bits in (0..0x7c00u16).chain(0x8000..0xfc00) {
            assert_eq!(half(single(bits)), bits, "{bits:#x}");
        }
        assert_eq!(single(0x3c00), 1.0);
        assert_eq!(single(0x0001), 2f32.powi(-24));
        assert_eq!(half(65519.0), 0x7bff);
        assert_eq!(half(65520.0), 0x7c00);
        // 1 + 2^-11 lies half-way between 1 and the next half: even wins.
        assert_eq!(half(1.0 + 2f32.powi(-11)), 0x3c00);
        assert_eq!(half(1.0 + 3.0 * 2f32.powi(-11)), 0x3c02);
    }

    #[test]
    fn what_is_no_number_stays_so() {
        assert_eq!(single(0x7c00), f32::INFINITY);
        assert_eq!(single(0xfc00), f32::NEG_INFINITY);
        assert!(single(0x7e00).is_nan() && single(half(f32::NAN)).is_nan());
    }

    /// Between any two halves the nearer is taken, and half-way the even one.
    #[test]
    fn what_lies_between_two_halves_goes_to_the_nearer() {
        for low in 0..0x7bffu16 {
            let middle = (single(low) + single(low + 1)) / 2.0;
            assert_eq!(half(middle), low + (low & 1), "{low:#x}");
            assert_eq!(half(middle.next_down()), low, "{low:#x}");
            assert_eq!(half(-middle.next_up()), 0x8000 | (low + 1), "{low:#x}");
        }
    }
}
