//! Where the sky says the Moon is in a frame, and what its light then does to the disc's image.

use super::shape::Flattening;
use crate::camera::Mount;
use crate::ingest::Frame;
use crate::raster::PixelPoint;
use crate::sky::{
    CameraPointing, Danjon, EarthShadow, Horizontal, Libration, Observer, Refraction, ShadowLight, apparent_moon,
    libration, shadow_from,
};
use crate::units::{Angle, Instant};

/// The Moon in the sky at the middle of an exposure.
#[derive(Clone, Copy, Debug)]
pub(super) struct SkyPlace {
    pub instant: Instant,
    /// Refracted place.
    pub seen: Horizontal,
    pub semidiameter: Angle,
    pub shadow: EarthShadow,
    pub parallactic_angle: Angle,
    pub libration: Libration,
}

impl SkyPlace {
    /// For a frame with a time, from a known site, within the years the sky serves.
    pub fn of(observer: Option<&Observer>, frame: &Frame) -> Option<Self> {
        let (observer, time) = (observer?, frame.time?);
        crate::sky::serves(time.middle).then(|| SkyPlace::at(observer, time.middle))
    }

    /// For an instant.
    pub fn at(observer: &Observer, instant: Instant) -> Self {
        let position = apparent_moon(observer, instant);
        SkyPlace {
            instant,
            seen: position.refracted(Refraction::default()),
            semidiameter: position.semidiameter,
            shadow: shadow_from(observer, instant, &position),
            parallactic_angle: position.parallactic_angle,
            libration: libration(observer, instant, &position),
        }
    }

    /// Whether the Moon's upper limb is clear below the horizon.
    pub fn is_below_horizon(&self) -> bool {
        self.seen.altitude.degrees() < -0.6
    }

    /// Whether an edge that crosses the disc is the night side's: the Moon is so far from full that the phase shows, and
    /// about as much of it as the sky says. `place` is the edge's, radii from the centre towards the dark side.
    pub fn shows_terminator(&self, place: f64) -> bool {
        // The axis of the shadow lies opposite the Sun: the Moon's distance from it is the phase angle, nearly.
        let phase_angle = self.shadow.separation().radians();
        let expected = phase_angle.cos();
        phase_angle.to_degrees() > 12.0 && (place - expected).abs() < 0.35
    }

    /// How the shadow's light varies over the disc as a camera sees it, by the ephemeris, where the image's up has a position angle on
    /// the sky: of the offset to the right and down, in radii.
    ///
    /// In the umbra a middling Danjon grade gives the run of the light; how steep it really was on
    /// the night is left to the polynomials that multiply it.
    pub fn light_over(&self, up_position_angle: Angle) -> impl Fn(f64, f64) -> f64 + use<> {
        // Any scale will do; near one keeps the normal equations well conditioned.
        let farthest = self.shadow.separation() + self.semidiameter;
        let brightest = 1.0 / self.shadow_light().radiance(farthest).iter().sum::<f64>();
        let radiance = self.radiance_over(up_position_angle);
        move |right, down| radiance(right, down) * brightest
    }

    fn shadow_light(&self) -> ShadowLight {
        ShadowLight::new(self.shadow.umbra_radius, self.shadow.penumbra_radius, Danjon { scale: 2.0 })
    }

    /// The light over the disc, on one scale for all frames, where the image's up has a position angle on the sky: of the offset
    /// to the right and down, in radii.
    pub fn radiance_over(&self, up_position_angle: Angle) -> impl Fn(f64, f64) -> f64 + use<> {
        let (shadow, light) = (self.shadow, self.shadow_light());
        let (up, radius) = (up_position_angle.radians(), self.semidiameter.radians());
        move |right, down| {
            // Position angles run anticlockwise on the image: right of `up` is west of it.
            let (s, c) = up.sin_cos();
            let (north, east) = ((-down * c + right * s) * radius, (-down * s - right * c) * radius);
            let from_axis = (east - shadow.xi.radians()).hypot(north - shadow.eta.radians());
            light.radiance(Angle::from_radians(from_axis)).iter().sum::<f64>()
        }
    }

    /// How the air flattens the disc in a frame, where the zenith's direction in it is known.
    pub fn flattening(
        &self,
        mount: Mount,
        pointing: Option<&CameraPointing>,
        centre: PixelPoint,
    ) -> Option<Flattening> {
        let zenith_turn = match (mount, pointing) {
            (_, Some(p)) => p.zenith_turn(centre),
            // A level tripod, to a degree or two: the flattening is hardly turned by that.
            (Mount::FixedTripod | Mount::ReaimedTripod, None) => Angle::ZERO,
            _ => return None,
        };
        Some(self.flattened(zenith_turn))
    }

    /// How the air flattens the disc, the zenith lying clockwise from the image's up.
    pub fn flattened(&self, zenith_turn: Angle) -> Flattening {
        let ratio = Refraction::default().pressing(self.seen.altitude, self.semidiameter);
        Flattening { zenith_turn: zenith_turn.radians(), ratio }
    }
}
