//! Moments put into a layout's selection, and taken out of it, by pointing at the night's light curve.

use super::{Edit, edited, onward};
use crate::composition::{Composition, Placement};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::notation::{Arrangement, Selection};
use crate::layout::{Layout, resolve, wanted};
use crate::registration::Registration;
use crate::units::Instant;

/// Where the light curve was touched.
#[derive(Clone, Copy, Debug)]
pub struct Touched {
    /// Of a poster, which panel's moments are meant, from 0.
    pub panel: Option<usize>,
    /// The moment.
    pub at: Instant,
    /// What lies no farther from it is meant by it, seconds.
    pub reach_s: f64,
}

/// A layout's moments, each with the instants that it stands for on this night.
type Moments = Vec<(String, Vec<Instant>)>;

/// What the layout's text is to say after a touch: the moment of a disc that is shown there is taken out, else the moment is put in.
/// A selection by number or spacing becomes one by the moments of the frames that it shows.
///
/// # Errors
/// A [`Diagnostic`] where the last moment would go, the moment does not come into the picture, or the panel is none.
pub fn touched(
    layout: &Layout,
    (night, registration): (&Night, &Registration),
    composition: &Composition,
    touch: Touched,
) -> Result<Vec<Edit>, Diagnostic> {
    let target = Target::of(layout, touch.panel)?;
    let eclipse = wanted::eclipse_of(night);
    let instants =
        |name: &str| wanted::parse(name).map(|m| wanted::instants(m, night, eclipse.as_ref())).unwrap_or_default();
    let shown = target.shown(composition);
    let moments: Moments = match &target.selection.at {
        Some(names) => names.iter().map(|n| (n.clone(), instants(n))).collect(),
        None => shown.iter().map(|i| Some((name_of((*i)?), vec![(*i)?]))).collect::<Option<_>>().ok_or_else(|| {
            Diagnostic::error("no-time", "some of the discs have no time: moments cannot name them")
                .with_help("write the clock into shoot.ron, or name frames by `selection: (files: …)`")
        })?,
    };
    let is_meant = |i: &&Instant| i.seconds_since(touch.at).abs() <= touch.reach_s;
    let after = |edits: &[Edit]| -> Option<Vec<Instant>> {
        let changed = Layout::parse(&layout.path, &edited(&layout.text, edits)?).ok()?;
        let laid = resolve(&changed, night, registration).ok()?.value;
        Some(target.shown(&laid).into_iter().flatten().collect())
    };
    let Some(disc) = shown.iter().flatten().find(is_meant).copied() else {
        let edits = target.edits(&put_in(&moments, touch.at));
        // A layout that makes no picture then is refused with its own reason.
        let is_left_out = after(&edits).is_some_and(|now| now.iter().all(|i| shown.contains(&Some(*i))));
        return if is_left_out { Err(left_out()) } else { Ok(edits) };
    };
    if moments.iter().map(|m| m.1.len()).sum::<usize>() <= 1 {
        return Err(Diagnostic::error("last-moment", "a picture shows one moment at least")
            .with_help("put another in before this one is taken out"));
    }
    // The nearest moment whose going takes the disc along: another disc may stand for a moment far from its own.
    let mut near: Vec<Instant> = moments.iter().flat_map(|m| m.1.clone()).collect();
    near.sort_by(|a, b| a.seconds_since(disc).abs().total_cmp(&b.seconds_since(disc).abs()));
    let without = near.iter().take(MOST_TRIED).map(|moment| target.edits(&take_out(&moments, *moment)));
    without.into_iter().find(|edits| after(edits).is_some_and(|shown| !shown.contains(&disc))).ok_or_else(|| {
        Diagnostic::error("moment-stays", "this disc is shown for more than one of the layout's moments")
            .with_help("change `at` in the text")
    })
}

/// Moments that are tried for the one that a disc stands for.
const MOST_TRIED: usize = 6;

fn left_out() -> Diagnostic {
    Diagnostic::error("moment-left-out", "the frame of that moment does not come into the picture")
        .with_help("`from`, `to`, `rig` or `least_quality` leave it out, or a better one of its bracket stands for it")
}

/// Whose moments are changed.
struct Target<'a> {
    selection: &'a Selection,
    way: Vec<String>,
    /// Of the placements.
    group: usize,
}

impl<'a> Target<'a> {
    /// The whole layout's, or of a poster a panel's: its own selection, where it has one.
    fn of(layout: &'a Layout, panel: Option<usize>) -> Result<Self, Diagnostic> {
        let whole = (&layout.file.selection, vec!["selection".to_owned()]);
        let no_panel = || Diagnostic::error("no-such-panel", "this layout has no such panel");
        let (index, panels) = match (panel, &layout.file.arrangement) {
            (Some(index), Arrangement::Panels(panels)) => (index, panels),
            (None, Arrangement::Panels(_)) | (Some(_), _) => return Err(no_panel()),
            (None, _) => return Ok(Target { selection: whole.0, way: whole.1, group: 0 }),
        };
        let own = panels.panels.get(index).ok_or_else(no_panel)?.selection.as_ref();
        let way = || onward(&[], &["arrangement", "panels", &index.to_string(), "selection"]);
        let (selection, way) = own.map_or(whole, |own| (own, way()));
        Ok(Target { selection, way, group: index + 1 })
    }

    /// When its discs were taken.
    fn shown(&self, composition: &Composition) -> Vec<Option<Instant>> {
        let instant = |p: &Placement| Instant::parse_utc(&p.utc).ok();
        composition.placements.iter().filter(|p| p.group == self.group).map(instant).collect()
    }

    fn edits(&self, moments: &Moments) -> Vec<Edit> {
        let names: Vec<String> = moments.iter().map(|(name, _)| format!("{name:?}")).collect();
        let mut edits = vec![(onward(&self.way, &["at"]), format!("[{}]", names.join(", ")))];
        if self.selection.at.is_none() {
            let said = [
                ("count", self.selection.count.is_some()),
                ("minutes_apart", self.selection.minutes_apart.is_some()),
                ("apart", self.selection.apart.is_some()),
                ("files", self.selection.files.is_some()),
            ];
            let no = |field: &str| (onward(&self.way, &[field]), "None".to_owned());
            edits.extend(said.into_iter().filter(|(_, is_said)| *is_said).map(|(field, _)| no(field)));
        }
        edits
    }
}

/// Without a moment; of a name that stands for two, the other stays.
fn take_out(moments: &Moments, moment: Instant) -> Moments {
    let mut out = moments.clone();
    if let Some(k) = out.iter().position(|(_, all)| all.contains(&moment)) {
        out[k].1.retain(|i| *i != moment);
        match out[k].1.first() {
            None => drop(out.remove(k)),
            Some(other) => out[k].0 = name_of(*other),
        }
    }
    out
}

/// With a moment before the first that is later.
fn put_in(moments: &Moments, at: Instant) -> Moments {
    let mut out = moments.clone();
    let later = out.iter().position(|(_, all)| all.first().is_some_and(|i| *i > at));
    out.insert(later.unwrap_or(out.len()), (name_of(at), vec![at]));
    out
}

/// An instant as a layout names it, whole seconds without a fraction.
fn name_of(at: Instant) -> String {
    at.to_iso_utc().replace(".000Z", "Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_go_in_by_their_time_and_out_one_by_one() {
        let at = |minute: u32| Instant::parse_utc(&format!("2028-12-31T16:{minute:02}:00Z")).unwrap();
        let moments = vec![("U2".to_owned(), vec![at(10)]), ("25%".to_owned(), vec![at(20), at(40)])];
        let names = |m: &Moments| m.iter().map(|m| m.0.clone()).collect::<Vec<_>>();
        let more = put_in(&put_in(&moments, at(15)), at(50));
        assert_eq!(names(&more), ["U2", "2028-12-31T16:15:00Z", "25%", "2028-12-31T16:50:00Z"]);
        assert_eq!(names(&take_out(&more, at(40)))[2], "2028-12-31T16:20:00Z");
        assert_eq!(names(&take_out(&more, at(10))).len(), 3);
    }
}
