//! Fractional-octave bands of the base-ten system: exact mid-bands, edges and
//! nominal frequencies.

/// The octave ratio of the base-ten system, `G = 10^(3/10)`.
pub const OCTAVE_RATIO: f64 = 1.995_262_314_968_879_5;

/// The reference frequency `fr`.
pub const REFERENCE_HZ: f64 = 1_000.0;

/// One fractional-octave band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// The `b` of a 1/b-octave band.
    pub fraction: u32,
    /// The number `x` of the band; rising with frequency.
    pub index: i32,
    /// The exact mid-band frequency.
    pub mid_hz: f64,
    /// The lower band edge.
    pub lower_hz: f64,
    /// The upper band edge.
    pub upper_hz: f64,
}

impl Band {
    /// The 1/`fraction`-octave band number `index`.
    ///
    /// With `G = 10^(3/10)`, `fr = 1 kHz` and `b` the fraction:
    /// mid-band `fr·G^(x/b)` for odd `b`, `fr·G^((2x+1)/(2b))` for even `b` (then
    /// 1 kHz is a band edge, and no band is centred on it); edges
    /// `f·G^(±1/(2b))`.
    ///
    /// References: IEC 61260-1:2014, 5.2 to 5.6, Formulas (1) to (5).
    ///
    /// # Panics
    /// When `fraction` is zero.
    #[must_use]
    pub fn new(fraction: u32, index: i32) -> Self {
        assert!(fraction > 0, "a band is a whole fraction of an octave, 1/1 or narrower");
        let b = f64::from(fraction);
        let exponent = if fraction.is_multiple_of(2) {
            (2.0 * f64::from(index) + 1.0) / (2.0 * b)
        } else {
            f64::from(index) / b
        };
        // Powers of ten keep the decades exact, which powers of a rounded G would not.
        let at = |exponent: f64| REFERENCE_HZ * 10f64.powf(0.3 * exponent);
        Self {
            fraction,
            index,
            mid_hz: at(exponent),
            lower_hz: at(exponent - 0.5 / b),
            upper_hz: at(exponent + 0.5 / b),
        }
    }

    /// The band that a frequency falls into.
    ///
    /// # Panics
    /// When `fraction` is zero or the frequency is not positive.
    #[must_use]
    pub fn holding(fraction: u32, frequency_hz: f64) -> Self {
        assert!(frequency_hz > 0.0, "a band holds positive frequencies, got {frequency_hz} Hz");
        let octaves = (frequency_hz / REFERENCE_HZ).log10() / 0.3;
        let steps = octaves * f64::from(fraction);
        let index = if fraction.is_multiple_of(2) { steps.floor() } else { steps.round() };
        Self::new(fraction, index as i32)
    }

    /// The width of the band.
    #[must_use]
    pub fn bandwidth_hz(&self) -> f64 {
        self.upper_hz - self.lower_hz
    }

    /// The quality factor of the band's edges, `Qr = f/(f2 − f1)`.
    #[must_use]
    pub fn q(&self) -> f64 {
        self.mid_hz / self.bandwidth_hz()
    }

    /// The nominal frequency that names the band.
    ///
    /// Octaves and third-octaves carry the preferred frequencies of ISO 266;
    /// narrower bands are rounded to three significant digits where the first is
    /// 1 to 4, and to two where it is 5 to 9 (IEC 61260-1:2014, Annex E, from
    /// memory).
    #[must_use]
    pub fn nominal_hz(&self) -> f64 {
        let magnitude = 10f64.powf(self.mid_hz.log10().floor());
        if matches!(self.fraction, 1 | 3) {
            let thirds = self.index * if self.fraction == 1 { 3 } else { 1 };
            return PREFERRED[thirds.rem_euclid(10) as usize] * 10f64.powi(thirds.div_euclid(10) + 3);
        }
        let digits = self.mid_hz / magnitude;
        let step = if digits < 5.0 { 0.01 } else { 0.1 };
        (digits / step).round() * step * magnitude
    }
}

/// The preferred numbers of the R10 series that name third-octave bands.
///
/// References: ISO 266:1997; IEC 61260-1:2014, Annex E.
const PREFERRED: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// The bands whose mid-band lies between two frequencies, in rising order.
///
/// The limits are understood as nominal ones: 20 Hz to 20 kHz includes the
/// third-octave bands of 19.95 Hz and 19.95 kHz. They give way by 1 % (the
/// greatest distance of a preferred frequency from its exact one is 0.95 %, at 16) but by no
/// more than half a band.
///
/// # Panics
/// When `fraction` is zero or a limit is not positive and finite.
#[must_use]
pub fn bands(fraction: u32, from_hz: f64, to_hz: f64) -> Vec<Band> {
    assert!(from_hz > 0.0 && to_hz.is_finite(), "bands from {from_hz} to {to_hz} Hz");
    let half_band = 10f64.powf(0.15 / f64::from(fraction));
    let slack = half_band.min(1.01);
    let first = Band::holding(fraction, from_hz / slack).index;
    (first..)
        .map(|index| Band::new(fraction, index))
        .skip_while(|band| band.mid_hz < from_hz / slack)
        .take_while(|band| band.mid_hz <= to_hz * slack)
        .collect()
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: IEC 61260-1:2014, Formulas (2), (4), (5); ISO 266:1997 for the names.
    #[test]
    fn third_octaves_from_twenty_to_twenty_thousand() {
        let bands = bands(3, 20.0, 20_000.0);
        assert_eq!(bands.len(), 31);
        let nominal: Vec<f64> = bands.iter().map(Band::nominal_hz).collect();
        let wanted = [
            20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0,
            630.0, 800.0, 1_000.0, 1_250.0, 1_600.0, 2_000.0, 2_500.0, 3_150.0, 4_000.0, 5_000.0, 6_300.0,
            8_000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0,
        ];
        for (got, wanted) in nominal.iter().zip(wanted) {
            near("nominal", *got, wanted, 1e-9 * wanted);
        }
        near("mid-band of 20 Hz", bands[0].mid_hz, 19.952_623_149_688_794, 1e-12);
        near("lower edge of 20 Hz", bands[0].lower_hz, 17.782_794_100_389_225, 1e-12);
        near("mid-band of 1250 Hz", bands[18].mid_hz, 1_258.925_411_794_167_3, 1e-9);
        near("upper edge of 20 kHz", bands[30].upper_hz, 22_387.211_385_683_382, 1e-8);
        near("Q", bands[10].q(), 4.333_365_529_969_352, 1e-9);
    }

    /// Source: IEC 61260-1:2014, Formula (3); first and last 1/6- and
    /// 1/12-octave band, and the Q of each fraction (Formulas (4), (5)).
    #[test]
    fn even_fractions_have_an_edge_at_one_kilohertz() {
        for (fraction, count, first_hz, last_hz, q) in [
            (6, 60, 21.134_890_398_366_48, 18_836.490_894_898, 8.681_094_439_664_97),
            (12, 120, 20.535_250_264_571_467, 19_386.526_359_522_07, 17.369_380_981_786_854),
        ] {
            let bands = bands(fraction, 20.0, 20_000.0);
            assert_eq!(bands.len(), count);
            near("first", bands[0].mid_hz, first_hz, 1e-9 * first_hz);
            near("last", bands[count - 1].mid_hz, last_hz, 1e-9 * last_hz);
            near("Q", bands[0].q(), q, 1e-9 * q);
            let edge = bands.iter().map(|band| (band.lower_hz - 1_000.0).abs()).fold(f64::MAX, f64::min);
            near("distance of an edge from 1 kHz", edge, 0.0, 1e-9);
        }
        let q48 = Band::new(48, 0).q();
        near("Q of 1/48", q48, 69.486_517_476_607_67, 1e-9 * q48);
    }

    #[test]
    fn octaves_have_their_names() {
        let nominal: Vec<f64> = bands(1, 16.0, 16_000.0).iter().map(Band::nominal_hz).collect();
        testkit::all_near(
            "octaves",
            &nominal,
            &[16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0, 16_000.0],
            1e-9,
        );
    }

    proptest::proptest! {
        #[test]
        fn every_frequency_lies_in_its_band(fraction in 1u32..=48, exponent in 0.0..5.0f64) {
            let frequency_hz = 10f64.powf(exponent);
            let band = Band::holding(fraction, frequency_hz);
            assert!(band.lower_hz <= frequency_hz * (1.0 + 1e-12));
            assert!(frequency_hz <= band.upper_hz * (1.0 + 1e-12));
            let next = Band::new(fraction, band.index + 1);
            near("edges meet", next.lower_hz / band.upper_hz, 1.0, 1e-12);
        }
    }
}
