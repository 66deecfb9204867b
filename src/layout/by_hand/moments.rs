//! Moments put into a layout's selection, and taken out of it, by pointing at the night's light curve.

use super::{Edit, onward};
use crate::composition::{Composition, Placement};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::layout::notation::{Arrangement, Selection};
use crate::layout::wanted;
use crate::units::Instant;

/// How far from its moment a frame may lie where the frames that are shown become moments, minutes: those very frames are meant.
const THE_FRAME_ITSELF: &str = "0.5";

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

/// What the layout's text is to say after a touch: the moment of a disc that is shown there is taken out, else the moment is put in.
/// A selection by number or spacing becomes one by the moments that it shows.
///
/// # Errors
/// A [`Diagnostic`] where the last moment would go, or the panel is none.
pub fn touched(
    layout: &Layout,
    night: &Night,
    composition: &Composition,
    touch: Touched,
) -> Result<Vec<Edit>, Diagnostic> {
    let (selection, way) = selection_of(layout, touch.panel)?;
    let group = touch.panel.map_or(0, |p| p + 1);
    let shown: Vec<Instant> = composition.placements.iter().filter(|p| p.group == group).filter_map(instant).collect();
    let eclipse = wanted::eclipse_of(night);
    let instants =
        |name: &str| wanted::parse(name).map(|m| wanted::instants(m, night, eclipse.as_ref())).unwrap_or_default();
    let mut moments: Vec<(String, Vec<Instant>)> = match &selection.at {
        Some(names) => names.iter().map(|n| (n.clone(), instants(n))).collect(),
        None => shown.iter().map(|i| (name_of(*i), vec![*i])).collect(),
    };
    match nearest(&shown, touch.at).filter(|i| i.seconds_since(touch.at).abs() <= touch.reach_s) {
        Some(disc) => take_out(&mut moments, disc),
        None => put_in(&mut moments, touch.at),
    }
    if moments.is_empty() {
        return Err(Diagnostic::error("last-moment", "a picture shows one moment at least")
            .with_help("put another in before this one is taken out"));
    }
    let names: Vec<String> = moments.iter().map(|(name, _)| format!("{name:?}")).collect();
    let mut edits = vec![(onward(&way, &["at"]), format!("[{}]", names.join(", ")))];
    if selection.at.is_none() {
        let no = |field: &str| (onward(&way, &[field]), "None".to_owned());
        let said = [
            ("count", selection.count.is_some()),
            ("minutes_apart", selection.minutes_apart.is_some()),
            ("apart", selection.apart.is_some()),
            ("files", selection.files.is_some()),
        ];
        edits.extend(said.into_iter().filter(|(_, is_said)| *is_said).map(|(field, _)| no(field)));
        edits.push((onward(&way, &["within_minutes"]), THE_FRAME_ITSELF.into()));
    }
    Ok(edits)
}

fn instant(p: &Placement) -> Option<Instant> {
    Instant::parse_utc(&p.utc).ok()
}

fn nearest(of: &[Instant], to: Instant) -> Option<Instant> {
    of.iter().copied().min_by(|a, b| a.seconds_since(to).abs().total_cmp(&b.seconds_since(to).abs()))
}

/// The selection that is meant, and the way to it: a panel's own, where it has one.
fn selection_of(layout: &Layout, panel: Option<usize>) -> Result<(&Selection, Vec<String>), Diagnostic> {
    let whole = (&layout.file.selection, vec!["selection".to_owned()]);
    let Some(index) = panel else { return Ok(whole) };
    let Arrangement::Panels(panels) = &layout.file.arrangement else { return Ok(whole) };
    let no_panel = || Diagnostic::error("no-such-panel", format!("there is no panel {}", index + 1));
    let own = panels.panels.get(index).ok_or_else(no_panel)?.selection.as_ref();
    let way = || onward(&[], &["arrangement", "panels", &index.to_string(), "selection"]);
    Ok(own.map_or(whole, |own| (own, way())))
}

/// Takes out the moment that a disc was shown for; of a name that stands for two, the other stays.
fn take_out(moments: &mut Vec<(String, Vec<Instant>)>, disc: Instant) {
    let off = |i: &Instant| i.seconds_since(disc).abs();
    let places = moments.iter().enumerate().flat_map(|(k, (_, all))| all.iter().map(move |i| (k, *i)));
    let Some((k, moment)) = places.min_by(|a, b| off(&a.1).total_cmp(&off(&b.1))) else { return };
    moments[k].1.retain(|i| *i != moment);
    match moments[k].1.first() {
        None => drop(moments.remove(k)),
        Some(other) => moments[k].0 = name_of(*other),
    }
}

/// Puts a moment before the first that is later.
fn put_in(moments: &mut Vec<(String, Vec<Instant>)>, at: Instant) {
    let later = moments.iter().position(|(_, all)| all.first().is_some_and(|i| *i > at));
    moments.insert(later.unwrap_or(moments.len()), (name_of(at), vec![at]));
}

/// An instant as a layout names it, whole seconds without a fraction.
fn name_of(at: Instant) -> String {
    at.to_iso_utc().replace(".000Z", "Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_go_in_by_their_time_and_out_by_their_disc() {
        let at = |minute: u32| Instant::parse_utc(&format!("2028-12-31T16:{minute:02}:00Z")).unwrap();
        let mut moments = vec![("U2".to_owned(), vec![at(10)]), ("25%".to_owned(), vec![at(20), at(40)])];
        put_in(&mut moments, at(15));
        put_in(&mut moments, at(50));
        let names = |m: &[(String, Vec<Instant>)]| m.iter().map(|m| m.0.clone()).collect::<Vec<_>>();
        assert_eq!(names(&moments), ["U2", "2028-12-31T16:15:00Z", "25%", "2028-12-31T16:50:00Z"]);
        // The disc shown for the share that shrinks was taken a minute late.
        take_out(&mut moments, at(41));
        assert_eq!(names(&moments)[2], "2028-12-31T16:20:00Z");
        take_out(&mut moments, at(9));
        assert_eq!(names(&moments).len(), 3);
    }
}
