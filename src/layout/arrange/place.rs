//! One disc as a placement: from its own frame, unstretched, turned, scaled; and all that is known of its light.

use super::{Context, IDENTITY, Righting, Spot, inverse, scaled, times};
use crate::composition::{Companion, Composition, DiscSky, Gain, Placement, ShadowOnDisc};
use crate::layout::chosen::Chosen;
use crate::layout::notation::{Measure, Normalization, Upright};
use crate::raster::{LinearMap, PixelPoint};
use crate::registration::FrameRegistration;
use crate::sky::{
    Danjon, EarthShadow, Refraction, SATURATION_PER_LIGHT_GAIN, ShadowLight, airmass, apparent_moon, shadow_from,
};
use crate::units::Angle;

/// Steps of the shadow's light from its axis to the penumbra's edge.
const SHADOW_STEPS: usize = 256;

impl Context<'_> {
    /// The placement of one disc; `None` where its frame shows none.
    fn place(&self, chosen: &Chosen<'_>, spot: &Spot) -> Option<Placement> {
        let (source_centre, moon_radius_px, metric) = match chosen.registered {
            Some(f) => {
                let centre = f.centre()?;
                // In the source, a rectified offset is the metric times the pixel offset; the metric's
                // determinant carries the mean scale, which `radius_px` already has.
                let metric = self.lens(f.rig).map_or(IDENTITY, |l| l.local_metric(centre));
                let [[a, b], [c, d]] = metric;
                (centre, f.disc()?.moon_radius_px(), scaled(metric, 1.0 / (a * d - b * c).abs().sqrt()))
            }
            None => {
                // Painted about as large as it is shown, in a square with room for its blur.
                let radius = spot.radius_px.clamp(24.0, 1200.0);
                (PixelPoint::new(1.5 * radius, 1.5 * radius), radius, IDENTITY)
            }
        };
        // Canvas offset -> mirrored back -> turned back -> source scale -> source pixels.
        let to_rectified = scaled(times(spot.turn.back(), spot.stretch), moon_radius_px / spot.radius_px);
        // Its sky begins beyond all that is clipped.
        let source_radius_px = chosen.registered.and_then(FrameRegistration::radius_px).unwrap_or(moon_radius_px);
        let map =
            LinearMap { source_centre, target_centre: spot.centre, to_source: times(inverse(metric), to_rectified) };
        let light = &self.layout.file.light;
        let shadow = self.shadow(chosen);
        let file = chosen.registered.map(|f| f.file.as_str());
        Some(Placement {
            frame: chosen.name(),
            simulated: chosen.registered.is_none(),
            group: 0,
            behind_foreground: None,
            also: self.companions(chosen),
            rig: chosen.registered.map(|f| f.rig),
            quality: chosen.rating.map(|r| r.quality),
            lacks: chosen.rating.and_then(|r| r.lacks),
            utc: chosen.instant.map(|i| i.to_iso_utc()).unwrap_or_default(),
            map,
            to_disc: scaled(spot.stretch, 1.0 / spot.radius_px),
            radius_px: spot.radius_px,
            source_radius_px,
            turn_rad: spot.turn.turn.radians(),
            edge_width_px: chosen.registered.and_then(|f| f.fit()).map(|fit| fit.edge_width_px).filter(|w| *w > 0.0),
            light_gain: file.and_then(|f| self.light_gain(f)),
            gain: file.map_or(Gain::ToLevel(light.even_level as f32), |f| self.gain(f)),
            nudge: chosen.registered.map_or([1.0; 3], |f| {
                let (red, blue) = f.nudge.white;
                [red, 1.0, blue].map(|white| (f.nudge.gain_stops.exp2() * white) as f32)
            }),
            lift: None,
            sky: self.disc_sky(chosen, shadow.as_ref()),
            shadow: shadow.and_then(|s| self.shadow_on_disc(chosen, &s, moon_radius_px)),
            feather_px: self.feather_px(spot.radius_px),
            subtract_sky: light.subtract_sky && chosen.registered.is_some(),
            blend: light.blend,
        })
    }

    /// Softness of the mask (checked before: its unit has a meaning).
    fn feather_px(&self, radius_px: f64) -> f64 {
        let by = Measure { disc_px: Some(2.0 * radius_px), ..self.sheet.measure() };
        self.layout.file.light.feather.to_px(&by).unwrap_or(1.5).clamp(0.0, 200.0)
    }

    /// Lays one disc with its label; a disc that cannot be placed gets no label either.
    pub(super) fn lay(&self, out: &mut Composition, chosen: &Chosen<'_>, index: usize, spot: &Spot) {
        if let Some(placement) = self.place(chosen, spot) {
            out.placements.push(placement);
            out.texts.extend(self.label(chosen, index, spot));
        }
    }

    fn light_gain(&self, file: &str) -> Option<f64> {
        Some(self.night.frame(file)?.metadata.exposure?.light_gain())
    }

    fn gain(&self, file: &str) -> Gain {
        let light = &self.layout.file.light;
        match light.normalization {
            Normalization::AsShot => Gain::Factor(1.0),
            Normalization::Even => Gain::ToLevel(light.even_level as f32),
            Normalization::Photometric { .. } => {
                let exposed = self.light_gain(file).map_or(1.0, |g| g * SATURATION_PER_LIGHT_GAIN);
                Gain::Factor((light.even_level / exposed) as f32)
            }
        }
    }

    fn companions(&self, chosen: &Chosen<'_>) -> Vec<Companion> {
        let own = chosen.registered.and_then(|f| self.night.frame(&f.file));
        let of = |f: &&crate::registration::FrameRegistration| {
            let centre = f.centre()?;
            let light_ratio = self.night.frame(&f.file)?.metadata.times_the_light_of(&own?.metadata)?;
            Some(Companion { frame: f.file.clone(), centre_px: (centre.x, centre.y), light_ratio })
        };
        chosen.also.iter().filter_map(of).collect()
    }

    fn shadow(&self, chosen: &Chosen<'_>) -> Option<EarthShadow> {
        let (observer, instant) = (self.night.observer()?, chosen.instant?);
        Some(shadow_from(&observer, instant, &apparent_moon(&observer, instant)))
    }

    /// The air before a disc and the light of its brighter part.
    fn disc_sky(&self, chosen: &Chosen<'_>, shadow: Option<&EarthShadow>) -> Option<DiscSky> {
        let (seen, shadow) = (self.apparent(chosen.instant)?, shadow?);
        let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
        Some(DiscSky {
            airmass: airmass(Refraction::default().apparent_altitude(seen.airless.altitude)),
            penumbral_fraction: shadow.penumbral_fraction(),
            expected: light.bright_part(shadow.moon_semidiameter, shadow.separation()),
        })
    }

    /// Only where it is asked for: the table of the shadow's light is no small thing.
    fn shadow_on_disc(&self, chosen: &Chosen<'_>, s: &EarthShadow, moon_radius_px: f64) -> Option<ShadowOnDisc> {
        if self.layout.file.light.shadow_lift == 0.0 {
            return None;
        }
        let north_up: Righting = self.turn(chosen, Upright::North)?;
        let px = moon_radius_px / s.moon_semidiameter.radians();
        // The Moon lies at (xi, eta) from the axis, to the right and down with north up.
        let [[a, b], [c, d]] = north_up.back();
        let (x, y) = (-s.xi.radians() * px, -s.eta.radians() * px);
        let of_grade = |grade: u32| {
            let light = ShadowLight::new(s.umbra_radius, s.penumbra_radius, Danjon { scale: f64::from(grade) });
            let at = |i: usize| {
                let from_axis = s.penumbra_radius.radians() * i as f64 / (SHADOW_STEPS - 1) as f64;
                (light.radiance(Angle::from_radians(from_axis)).iter().sum::<f64>() / 3.0) as f32
            };
            (0..SHADOW_STEPS).map(at).collect()
        };
        Some(ShadowOnDisc {
            axis_px: (a * x + b * y, c * x + d * y),
            penumbra_px: s.penumbra_radius.radians() * px,
            radius_px: moon_radius_px,
            grades: (0..=4).map(of_grade).collect(),
        })
    }
}
