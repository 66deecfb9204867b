//! What the picture says of itself.

use crate::composition::Composition;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::sky::eclipse_within;
use crate::units::Instant;
use crate::write::PictureRecord;
use sha2::{Digest, Sha256};

/// How a picture is made, for its metadata.
pub(super) fn of(composition: &Composition, layout: &Layout, night: &Night) -> PictureRecord {
    let digest = Sha256::digest(layout.text.as_bytes());
    let name = layout.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    PictureRecord {
        title: composition.title.clone().or_else(|| night.notes.as_ref()?.title.clone()),
        description: composition.description.clone(),
        site: night
            .site
            .map(|s| format!("{:.4}, {:.4} (WGS84), {:.0} m", s.latitude_deg, s.longitude_deg, s.elevation_m)),
        eclipse: eclipse(composition),
        layout: name,
        layout_digest: digest.iter().map(|b| format!("{b:02x}")).collect(),
        discs: composition.placements.iter().filter(|p| !p.simulated).count(),
        simulated: composition.placements.iter().filter(|p| p.simulated).map(|p| p.utc.clone()).collect(),
        cross_faded: None,
    }
}

/// Which eclipse the discs are of.
fn eclipse(composition: &Composition) -> Option<String> {
    let taken = composition.placements.iter().find_map(|p| Instant::parse_utc(&p.utc).ok())?;
    // Half a day: frames of another night show another Moon.
    let eclipse = eclipse_within(taken, 0.5)?;
    let greatest = eclipse.greatest().to_utc().strftime("%Y-%m-%dT%H:%M:%SZ");
    Some(format!("{} lunar eclipse, greatest {greatest}", eclipse.kind))
}
