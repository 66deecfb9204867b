//! Whether a registration file, which a person may have edited, can be true.

use super::FileForm;
use crate::diag::{Diagnostic, Span};
use crate::units::Instant;
use std::path::Path;

/// Whether the numbers of a file, which a person may have edited, can be true.
pub(super) fn check(path: &Path, text: &str, form: &FileForm) -> Result<(), Diagnostic> {
    let fault = |names: &[&str], message: String| {
        let mut d = Diagnostic::error("registration-value", message)
            .with_help("correct the number, or register the frames again");
        d.span = Span::of_field(path, text, names);
        Err(d)
    };
    for rig in &form.rigs {
        let lengths = rig.pointings.iter().map(|p| p.focal_length_px).chain(rig.focal_length_px);
        let angles = rig.pointings.iter().flat_map(|p| [p.azimuth_deg, p.altitude_deg, p.roll_deg, p.k1, p.k2]);
        let times = rig.pointings.iter().filter_map(|p| p.from_utc.as_deref()).chain(
            rig.tracking.iter().flat_map(|t| &t.stretches).flat_map(|d| [d.from_utc.as_str(), d.until_utc.as_str()]),
        );
        let rotation = rig.rotation.iter().flat_map(|r| [r.up_position_angle_deg, r.degrees_per_hour]);
        let clock = rig.clock.iter().flat_map(|c| [c.ahead_s, c.sigma_s]);
        let sides = [rig.width_px, rig.height_px];
        let plausible = lengths.into_iter().all(|f| f > 1.0 && f < 1e9)
            && angles.into_iter().all(|a| a.is_finite() && a.abs() < 1000.0)
            && rotation.chain(clock).all(f64::is_finite)
            && times.into_iter().all(|t| Instant::parse_utc(t).is_ok())
            && sides.iter().all(|s| (1..=200_000).contains(s));
        if !plausible {
            return fault(&["rigs"], "the numbers of a rig cannot be true".into());
        }
    }
    for f in &form.frames {
        let rig = &form.rigs[f.rig];
        let (w, h) = (rig.width_px as f64, rig.height_px as f64);
        let (red, blue) = f.white;
        let white = (0.1..=10.0).contains(&red) && (0.1..=10.0).contains(&blue);
        if !(white && f.gain_stops.abs() <= 12.0 && f.turn_deg.abs() <= 360.0) {
            let what = "`gain_stops` goes from -12 to 12, `white` from 0.1 to 10, `turn_deg` from -360 to 360";
            return fault(&["frames", &f.file], format!("{}: {what}", f.file));
        }
        if let Some((x, y)) = f.centre_px
            && !((-w..=2.0 * w).contains(&x) && (-h..=2.0 * h).contains(&y))
        {
            return fault(
                &[&f.file, "centre_px"],
                format!("{}: the centre ({x}, {y}) is far outside the frame", f.file),
            );
        }
        if let Some(r) = f.radius_px
            && !(0.5..=w.max(h)).contains(&r)
        {
            return fault(&[&f.file, "radius_px"], format!("{}: a disc of radius {r} px is not in this frame", f.file));
        }
        if let (Some(inner), Some(seen)) = (f.true_radius_px, f.radius_px)
            && !(0.5..=seen).contains(&inner)
        {
            let message = format!("{}: a Moon of radius {inner} px does not lie inside its disc of {seen} px", f.file);
            return fault(&[&f.file, "true_radius_px"], message);
        }
        if let Some(sigma) = f.centre_sigma_px
            && !(0.0..=w.max(h)).contains(&sigma)
        {
            return fault(&[&f.file, "centre_sigma_px"], format!("{}: its centre's sigma cannot be true", f.file));
        }
        let shares = [f.umbral_fraction, f.limb.as_ref().map(|l| l.saturated_share)];
        let ratio = f.light_ratio.is_none_or(|r| (0.0..=1e9).contains(&r));
        if !(ratio && shares.into_iter().flatten().all(|s| (0.0..=1.0).contains(&s))) {
            return fault(&[&f.file], format!("{}: its light cannot be true", f.file));
        }
        if let Some(l) = &f.limb {
            let side = w.max(h);
            let lengths = [l.residual_px, l.edge_width_px, l.radius_sigma_px];
            let levels = [l.disc_level, l.mean_level, l.sky_level, l.contrast];
            let fair = lengths.iter().all(|v| (0.0..=side).contains(v))
                && (0.0..=side).contains(&l.rectified_radius_px)
                && levels.iter().all(|v| v.abs() <= 1e6)
                && (0.0..=361.0).contains(&l.arc_deg)
                && [l.agreeing, l.open_share].iter().all(|v| (-1.0..=1e6).contains(v));
            if !fair {
                return fault(&[&f.file, "limb"], format!("{}: what it says of its limb cannot be true", f.file));
            }
        }
        let near = |v: f64, side: f64| (-10.0 * side..=10.0 * side).contains(&v);
        let claims = |r: &super::frame_forms::RejectionForm| {
            near(r.centre_px.0, w) && near(r.centre_px.1, h) && (0.0..=10.0 * w.max(h)).contains(&r.radius_px)
        };
        if !f.rejected.iter().all(claims) {
            return fault(&[&f.file, "rejected"], format!("{}: what was rejected lies outside the frame", f.file));
        }
        if let Some(o) = &f.orientation
            && !(o.up_position_angle_deg.abs() <= 360.0 && (0.0..=180.0).contains(&o.sigma_deg))
        {
            return fault(&[&f.file, "orientation"], format!("{}: its orientation cannot be true", f.file));
        }
        if f.centre_px.is_some() != f.radius_px.is_some() {
            return fault(&[&f.file], format!("{}: centre and radius must be given together", f.file));
        }
        if let Some(utc) = &f.utc
            && crate::units::Instant::parse_utc(utc).is_err()
        {
            return fault(&[&f.file, "utc"], format!("{}: `{utc}` is not a date and time", f.file));
        }
    }
    Ok(())
}
