//! The light of each disc against what exposure and ephemeris predict: how cloud betrays itself.

use super::sky_place::SkyPlace;
use crate::detect::DiscFit;
use crate::ingest::Frame;
use crate::registration::FrameRegistration;
use crate::sky::{Danjon, Extinction, SATURATION_PER_LIGHT_GAIN, ShadowLight, airmass};

/// Light of a disc over what the exposure and the ephemeris predict for a clear sky, on a scale of
/// its own; `None` where it is saturated or nothing is predicted.
pub(super) fn of(frame: &Frame, place: Option<&SkyPlace>, fit: &DiscFit) -> Option<f64> {
    let (exposure, place) = (frame.metadata.exposure?, place?);
    if fit.saturated_share > 0.02 {
        return None;
    }
    let shadow = &place.shadow;
    let grade = Danjon { scale: 2.0 };
    let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, grade);
    let mean = light.mean_over_disc(shadow.moon_semidiameter, shadow.separation()).iter().sum::<f64>() / 3.0;
    let air = Extinction::default().transmission(airmass(place.seen.altitude))[1];
    let predicted = mean * air * exposure.light_gain() * SATURATION_PER_LIGHT_GAIN;
    Some(f64::from(fit.mean_level) / predicted)
}

/// Whether a disc's light contradicts the phase that its time would have: far too bright for a totality, or far too dark
/// for a Moon outside the umbra even through cloud.
pub(super) fn contradicts(frame: &Frame, place: &SkyPlace, fit: &DiscFit) -> bool {
    /// Between the full Moon and the copper of totality lie ten to fourteen stops; exposure, air and Danjon's scale
    /// explain five of them, a cloud that still shows a limb seven.
    const TOO_BRIGHT: f64 = 40.0;
    const TOO_DARK: f64 = 1.0 / 130.0;
    let total = place.shadow.umbral_fraction() > 0.99;
    let clear = place.shadow.umbral_fraction() < 0.01;
    match of(frame, Some(place), fit) {
        Some(ratio) => (total && ratio > TOO_BRIGHT) || (clear && ratio < TOO_DARK),
        None => false,
    }
}

/// Puts the light's ratios on a scale on which the clear frames are 1: the upper quartile of the partial
/// phases, and of totality apart (how dark the umbra is nobody knows before the night).
pub(super) fn scale(entries: &mut [(usize, FrameRegistration)]) {
    for total in [false, true] {
        let in_group = |f: &FrameRegistration| f.umbral_fraction.is_some_and(|u| (u > 0.95) == total);
        let mut ratios: Vec<f64> =
            entries.iter().filter(|(_, f)| in_group(f)).filter_map(|(_, f)| f.light_ratio).collect();
        ratios.sort_by(f64::total_cmp);
        let Some(clear) = ratios.get(ratios.len() * 3 / 4).copied().filter(|c| *c > 0.0) else { continue };
        for (_, f) in entries.iter_mut().filter(|(_, f)| in_group(f)) {
            f.light_ratio = f.light_ratio.map(|r| r / clear);
        }
    }
}
