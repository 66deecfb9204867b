//! The radiance of the Moon's disc towards each direction of the sky.
//!
//! At full Moon the disc is nearly flat: no shading from the centre to the limb beyond a few
//! percent (the opposition effect; Hapke 1993), so brightness is albedo times the shadow's
//! light. Neglected: shadows of relief (the phase angle is below 1.6 degrees), the limb's profile.

use super::shadow::{PaintedShadow, RehearsedShadow};
use crate::sky::{
    Danjon, EarthShadow, Extinction, Globe, Horizontal, Observer, Refraction, SurfaceDetail, Vector3, airmass,
    apparent_moon, libration, lunar_albedo, shadow_from,
};
use crate::units::{Angle, Instant};

/// The Moon at one instant, ready to be looked at.
pub(super) struct MoonDisc {
    centre: Vector3,
    right: Vector3,
    up: Vector3,
    /// Airless over apparent vertical offset: refraction flattens the disc.
    unflatten: f64,
    /// Sine and cosine of the parallactic angle.
    parallactic: (f64, f64),
    globe: Globe,
    /// Sine and cosine of the axis' position angle.
    axis: (f64, f64),
    /// The radius on the tangent plane.
    radius: f64,
    light: PaintedShadow,
    transmission: [f64; 3],
    /// Refracted altitude and azimuth of the centre.
    pub seen: Horizontal,
    /// Angular radius.
    pub semidiameter: Angle,
    /// The shadow beside it.
    pub shadow: EarthShadow,
}

impl MoonDisc {
    /// The Moon of an instant under a shadow of a kind, which a seed draws.
    pub fn new(
        observer: &Observer,
        air: Refraction,
        haze: Extinction,
        (kind, danjon, seed): (RehearsedShadow, Danjon, u64),
        instant: Instant,
    ) -> Self {
        let position = apparent_moon(observer, instant);
        let turn = libration(observer, instant, &position);
        let shadow = shadow_from(observer, instant, &position);
        let seen = position.refracted(air);
        let (sa, ca) = seen.azimuth.radians().sin_cos();
        let (sh, ch) = seen.altitude.radians().sin_cos();
        let half = position.semidiameter * 0.7;
        let span = air.apparent_altitude(position.airless.altitude + half)
            - air.apparent_altitude(position.airless.altitude - half);
        MoonDisc {
            centre: seen.direction(),
            right: Vector3::new(-sa, ca, 0.0),
            up: Vector3::new(-sh * ca, -sh * sa, ch),
            unflatten: half * 2.0 / span,
            parallactic: position.parallactic_angle.radians().sin_cos(),
            globe: turn.globe(),
            axis: turn.axis_position_angle.radians().sin_cos(),
            radius: position.semidiameter.tan(),
            light: PaintedShadow::new(kind, &shadow, danjon, seed),
            transmission: haze.transmission(airmass(seen.altitude)),
            seen,
            semidiameter: position.semidiameter,
            shadow,
        }
    }

    /// Radius of the circle of the seen disc's area over the airless one: the air flattens it.
    pub fn area_share(&self) -> f64 {
        self.unflatten.powf(-0.5)
    }

    /// Radiance towards a unit direction of the refracted sky, `None` beside the disc.
    pub fn radiance(&self, towards: &Vector3) -> Option<[f64; 3]> {
        let depth = towards.dot(&self.centre);
        if depth < 0.99 {
            return None;
        }
        let right = towards.dot(&self.right) / depth;
        let up = towards.dot(&self.up) / depth * self.unflatten;
        let radius = self.radius;
        let rho2 = (right * right + up * up) / (radius * radius);
        if rho2 >= 1.0 {
            return None;
        }
        // The zenith's direction has the position angle q; positions angles run anticlockwise.
        let (sq, cq) = self.parallactic;
        let (north, east) = (up * cq + right * sq, up * sq - right * cq);
        let (ex, ny) = (east - self.shadow.xi.radians(), north - self.shadow.eta.radians());
        let from_axis = (ex * ex + ny * ny).sqrt();
        let light = self.light.radiance(Angle::from_radians(from_axis));
        // Along the Moon's own north, and towards its east limb (west on the sky).
        let (sp, cp) = self.axis;
        let (y, x) = ((north * cp + east * sp) / radius, (north * sp - east * cp) / radius);
        let shading = 0.93 + 0.07 * (1.0 - rho2).sqrt();
        let albedo = lunar_albedo(SurfaceDetail::Fine, &self.globe.place(x, y)) * shading;
        Some(std::array::from_fn(|c| light[c] * albedo * self.transmission[c]))
    }
}
