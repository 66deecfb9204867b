//! Each disc where the Moon really stood: from its instant, the site and the solved pointing.

use super::{Context, Righting, Spot, scaled};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::layout::composition::{BackplatePlacement, Composition};
use crate::layout::notation::{Backplate, SkyTrack};
use crate::layout::select::{Chosen, instant};
use crate::raster::PixelPoint;
use crate::register::Registration;
use crate::sky::Refraction;

pub(in crate::layout) fn sky_track(
    layout: &Layout,
    track: &SkyTrack,
    night: &Night,
    registration: &Registration,
    chosen: &[Chosen<'_>],
) -> Result<Composition, Diagnostic> {
    let context = Context { layout, night, registration };
    let rig = chosen.first().map_or(0, |c| c.registered.rig);
    let unsolved = || {
        Diagnostic::error("no-pointing", "a sky track needs frames from a fixed tripod, with a site and times")
            .with_help("write `mount: FixedTripod`, `site` and `clock` into shoot.ron beside the frames")
    };
    let rig = registration.rigs.get(rig).filter(|r| !r.pointings.is_empty()).ok_or_else(unsolved)?;
    let frame = match &track.backplate {
        Backplate::Plain => None,
        Backplate::Frame(name) => Some(night.frame(name).ok_or_else(|| {
            layout.fault(
                &["SkyTrack", "backplate"],
                format!("`{name}` is not among the frames"),
                "give a file name without the folder",
            )
        })?),
        Backplate::Foreground => Some(night.frames.iter().find(|f| f.foreground).ok_or_else(|| {
            layout.fault(
                &["SkyTrack"],
                "the shoot notes name no foreground frame",
                "write `foreground: [\"…\"]` into shoot.ron, or `backplate: Frame(\"…\")` or `Plain` here",
            )
        })?),
    };
    // The aim that held when the backplate was taken: the picture is seen from there.
    let at = frame.map_or(chosen.first().and_then(|c| c.instant), |f| registration.frame(&f.name).and_then(instant));
    let solved = rig.pointing_at(at).ok_or_else(unsolved)?;
    if let Some(f) = frame
        && (f.metadata.width, f.metadata.height) != (rig.width, rig.height)
    {
        return Err(Diagnostic::error(
            "backplate-size",
            format!(
                "{} is {}x{} px, the Moon's frames are {}x{}",
                f.name, f.metadata.width, f.metadata.height, rig.width, rig.height
            ),
        )
        .with_help("the backplate must come from the same tripod and lens"));
    }
    let size = |px: usize| (px as f64 * track.scale).round().max(1.0) as usize;
    let mut out = context.composition(size(rig.width), size(rig.height));
    out.backplate = frame.map(|f| BackplatePlacement {
        frame: f.name.clone(),
        scale: track.scale,
        gain: track.backplate_gain as f32,
    });
    let lens = solved.pointing.lens;
    for (index, c) in chosen.iter().enumerate() {
        let Some(position) = context.apparent(c.instant) else { continue };
        let Some(at) = solved.pointing.to_pixel(position.refracted(Refraction::default())) else { continue };
        let metric = lens.local_metric(at);
        let [[a, b], [cc, d]] = metric;
        let spot = Spot {
            centre: PixelPoint::new(at.x * track.scale, at.y * track.scale),
            radius_px: lens.disc_radius_px(at, position.semidiameter) * track.scale * track.enlarge,
            turn: Righting::AS_SHOT,
            // The canvas stretches the sky as the lens did.
            stretch: scaled(metric, 1.0 / (a * d - b * cc).abs().sqrt()),
        };
        context.lay(&mut out, c, index, &spot);
    }
    context.heading(&mut out.texts, out.width);
    Ok(out)
}
