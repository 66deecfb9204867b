//! What a layout asks that a night's records alone can deny: said before any frame is looked at.
//!
//! What only the frames can tell (an aim, a Moon, an orientation) is left to `resolve`.

use super::notation::{Arrangement, Backplate, Foreground, Normalization, Selection};
use super::{Layout, arrange, wanted};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use std::path::Path;

/// Whether a layout can be drawn of a night, as far as its records tell: the frames that it names, its moments, the site, the
/// exposures, the files beside it.
///
/// # Errors
/// The first [`Diagnostic`], as [`resolve`](super::resolve) would give it.
pub fn forecheck(layout: &Layout, night: &Night) -> Result<(), Diagnostic> {
    let file = &layout.file;
    if matches!(file.light.normalization, Normalization::Photometric { .. })
        && night.frames.iter().all(|f| f.metadata.exposure.is_none())
    {
        let help = "use `normalization: Even`, or write the exposures into frames.csv";
        let what = "no frame records exposure time, aperture and sensitivity, so their light cannot be compared";
        return Err(layout.fault(&["light", "normalization"], what, help));
    }
    beside(layout)?;
    for (arrangement, selection) in parts(layout) {
        selected(layout, night, selection)?;
        let has_site = night.observer().is_some();
        match arrangement {
            Arrangement::SkyTrack(track) => {
                if !has_site {
                    return Err(arrange::no_site("a sky track"));
                }
                if let Backplate::Frame(frame) = &track.backplate
                    && night.frame(frame).is_none()
                {
                    return Err(layout.no_frame(&["SkyTrack", "backplate"], frame, night));
                }
            }
            Arrangement::ShadowMap(_) if !has_site => return Err(arrange::no_site("a shadow map")),
            _ => {}
        }
    }
    Ok(())
}

/// Whether the files that a layout names beside itself are there: a font, masks.
///
/// # Errors
/// The first [`Diagnostic`].
pub fn beside(layout: &Layout) -> Result<(), Diagnostic> {
    let folder = layout.path.parent().unwrap_or(Path::new("."));
    let is_there = |field: &[&str], name: &str| {
        let path = folder.join(name);
        let what = format!("{} is not there", path.display());
        let help = "give its name as seen from the layout file";
        path.is_file().then_some(()).ok_or_else(|| layout.fault(field, what, help))
    };
    if let Some(font) = &layout.file.font {
        is_there(&["font", font], font)?;
    }
    for (arrangement, _) in parts(layout) {
        if let Arrangement::SkyTrack(track) = arrangement
            && matches!(track.backplate, Backplate::Frame(_) | Backplate::Foreground)
            && let Foreground::Mask(mask) = &track.foreground
        {
            is_there(&[arrange::name_of(arrangement), "foreground", mask], mask)?;
        }
    }
    Ok(())
}

/// Arrangements with what each of them selects; panels each their own.
fn parts(layout: &Layout) -> Vec<(&Arrangement, &Selection)> {
    let own = &layout.file.selection;
    match &layout.file.arrangement {
        Arrangement::Panels(panels) => {
            panels.panels.iter().map(|p| (&*p.arrangement, p.selection.as_ref().unwrap_or(own))).collect()
        }
        alone => vec![(alone, own)],
    }
}

fn selected(layout: &Layout, night: &Night, wanted: &Selection) -> Result<(), Diagnostic> {
    for name in wanted.files.iter().flatten() {
        if night.frame(name).is_none() {
            return Err(layout.no_frame(&["selection", "files"], name, night));
        }
    }
    let eclipse = wanted::eclipse_of(night);
    let bounds =
        [("from", &wanted.from), ("from_utc", &wanted.from_utc), ("to", &wanted.to), ("to_utc", &wanted.to_utc)];
    for (field, name) in bounds.iter().filter_map(|(field, name)| Some((*field, name.as_ref()?))) {
        let moment = wanted::named(layout, field, name)?;
        if wanted::instants(moment, night, eclipse.as_ref()).is_empty() {
            return Err(super::select::no_such_moment(layout, field, name));
        }
    }
    if wanted.apart.is_some() && wanted.at.is_none() && night.observer().is_none() {
        return Err(super::select::no_distance(layout));
    }
    Ok(())
}
