//! From values to px, and round numbers for an axis.

/// A linear scale from values to px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    low_px: f64,
    high_px: f64,
}

impl Scale {
    /// `low` falls on `low_px` and `high` on `high_px`; a range of no width is widened to 1.
    pub(super) fn new((low, high): (f64, f64), (low_px, high_px): (f64, f64)) -> Self {
        let (low, high) = if high - low > 0.0 {
            (low, high)
        } else {
            (low - 0.5, low + 0.5)
        };
        Scale {
            low,
            high,
            low_px,
            high_px,
        }
    }

    /// Where `value` falls.
    pub(super) fn px(self, value: f64) -> f64 {
        self.low_px + (value - self.low) / (self.high - self.low) * (self.high_px - self.low_px)
    }

    /// What falls on `px`.
    pub(super) fn value(self, px: f64) -> f64 {
        self.low + (px - self.low_px) / (self.high_px - self.low_px) * (self.high - self.low)
    }

    /// Round values between the two px, at most `most` (at least 2) of them, ascending; steps are 1, 2 or 5 times a
    /// power of ten.
    pub(super) fn ticks(self, (from_px, to_px): (f64, f64), most: usize) -> Vec<f64> {
        let (low, high) = (self.value(from_px), self.value(to_px));
        let step = round_step((high - low) / most.max(2) as f64);
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        (first..=last).map(|n| n as f64 * step).collect()
    }
}

/// The least of 1, 2, 5 times a power of ten that is no less than `step`.
fn round_step(step: f64) -> f64 {
    let decade = 10f64.powf(step.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|n| n * decade)
        .find(|&s| s >= step * 0.999_999)
        .unwrap_or(10.0 * decade)
}

/// A number with a true minus sign and `digits` decimals, and no minus before a zero.
pub fn number(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    let zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if value < 0.0 && !zero {
        format!("−{text}")
    } else {
        text
    }
}

/// As [`number`], with a plus where it is above zero.
pub fn signed(value: f64, digits: usize) -> String {
    let text = number(value, digits);
    let zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if value > 0.0 && !zero {
        format!("+{text}")
    } else {
        text
    }
}

/// A tick's label: as many decimals as its neighbours need.
pub(super) fn tick_label(value: f64, ticks: &[f64]) -> String {
    let step = if ticks.len() > 1 {
        ticks[1] - ticks[0]
    } else {
        1.0
    };
    let digits = if step >= 0.999 {
        0
    } else {
        (-step.log10()).ceil().clamp(1.0, 6.0) as usize
    };
    number(value, digits)
}

/// A frequency in MHz, given in hertz, with no more decimals than it needs (at most three).
pub(crate) fn mhz(hz: f64) -> String {
    let text = format!("{:.3}", hz / 1e6);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_fall_on_the_ends_and_the_scale_is_its_own_inverse() {
        let scale = Scale::new((-10.0, 30.0), (500.0, 100.0));
        assert_eq!(
            (scale.px(-10.0), scale.px(30.0), scale.px(10.0)),
            (500.0, 100.0, 300.0)
        );
        assert_eq!(scale.value(300.0), 10.0);
        assert!(Scale::new((3.0, 3.0), (0.0, 100.0)).px(3.0).is_finite());
    }

    #[test]
    fn ticks_are_round_inside_and_no_more_than_asked() {
        let ticks = Scale::new((-3.7, 12.2), (400.0, 0.0)).ticks((400.0, 0.0), 8);
        assert_eq!(ticks, [-2.0, 0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0]);
        assert_eq!(tick_label(-2.0, &ticks), "−2");
        let fine = Scale::new((0.0, 1.0), (0.0, 1.0)).ticks((0.0, 1.0), 5);
        assert_eq!(
            fine.iter()
                .map(|&t| tick_label(t, &fine))
                .collect::<Vec<_>>(),
            ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
        );
    }

    #[test]
    fn numbers_have_a_true_minus_and_never_minus_zero() {
        assert_eq!(signed(-3.44, 1), "−3.4");
        assert_eq!(signed(5.16, 1), "+5.2");
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(0.04, 1), "0.0");
    }

    #[test]
    fn megahertz_have_no_more_decimals_than_they_need() {
        assert_eq!(mhz(509e6), "509");
        assert_eq!(mhz(177.5e6), "177.5");
        assert_eq!(mhz(473.143e6), "473.143");
    }
}
