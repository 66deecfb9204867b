//! Frames near the moments that a layout names.

use super::Chooser;
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;
use crate::layout::notation::Missing;
use crate::layout::wanted::{self, Moment};
use crate::registration::Quality;
use crate::sky::{Contact, LunarEclipse, apparent_moon};
use crate::units::Instant;

/// How far from a moment a frame may lie unless the layout says, minutes.
const WITHIN_MINUTES: f64 = 5.0;

impl<'a> Chooser<'a, '_> {
    /// The best frame near each wanted moment. Of the greatest eclipse, where none or only a poor one is near, the best of
    /// totality; any other moment that has none stays a gap, or is simulated.
    pub(super) fn at_moments(
        &self,
        chosen: &[Chosen<'a>],
        names: &[String],
        diagnostics: &mut Vec<Diagnostic>,
    ) -> Result<Vec<Chosen<'a>>, Diagnostic> {
        let eclipse = wanted::eclipse_of(self.night);
        let mut wanted: Vec<(&str, bool, Instant)> = Vec::new();
        for name in names {
            let moment = wanted::named(self.layout, "at", name)?;
            let is_greatest = moment == Moment::Contact(Contact::Greatest);
            let instants = wanted::instants(moment, self.night, eclipse.as_ref());
            if instants.is_empty() {
                diagnostics.push(Diagnostic::warning("no-such-moment", format!("this eclipse has no `{name}`")));
            }
            wanted.extend(instants.into_iter().map(|at| (name.as_str(), is_greatest, at)));
        }
        let near = |(name, _, at): &(&str, bool, Instant)| {
            self.the_very_frame(chosen, name, *at).or_else(|| self.best_near(chosen, *at))
        };
        let near: Vec<Option<Chosen<'a>>> = wanted.iter().map(near).collect();
        let is_good = |c: &Option<Chosen<'a>>| c.as_ref().is_some_and(|c| !self.is_poor(c));
        // What another moment shows stands for no second one.
        let others = wanted.iter().zip(&near).filter(|((_, is_greatest, _), c)| !is_greatest || is_good(c));
        let taken: Vec<String> = others.filter_map(|(_, c)| Some(c.as_ref()?.name())).collect();
        let free: Vec<Chosen<'a>> = chosen.iter().filter(|c| !taken.contains(&c.name())).cloned().collect();
        let mut out = Vec::new();
        for (slot, ((name, is_greatest, at), near)) in wanted.into_iter().zip(near).enumerate() {
            let may_paint = self.wanted.missing == Missing::Simulated && self.can_be_painted(at, eclipse.as_ref());
            let asks = is_greatest && !is_good(&near) && !(near.is_none() && may_paint);
            let instead = asks.then(|| self.best_of_totality(&free, eclipse.as_ref()?)).flatten();
            if let Some(c) = &instead {
                diagnostics.push(self.stands_for(name, c, at, near.as_ref()));
            }
            match instead.or(near) {
                Some(best) => out.push(Chosen { slot, ..best }),
                None if may_paint => {
                    out.push(Chosen { registered: None, instant: Some(at), also: Vec::new(), slot, rating: None });
                }
                None => diagnostics.push(
                    Diagnostic::warning(
                        "moment-missed",
                        format!(
                            "no frame was taken within {} minutes of `{name}`; its place stays empty",
                            self.within()
                        ),
                    )
                    .with_help(self.remedy(at)),
                ),
            }
        }
        Ok(out)
    }

    /// Whether the Moon stood over the horizon of this eclipse's night: nothing else is painted.
    fn can_be_painted(&self, at: Instant, eclipse: Option<&LunarEclipse>) -> bool {
        let Some((observer, eclipse)) = self.night.observer().zip(eclipse) else { return false };
        let is_that_night = eclipse.greatest().seconds_since(at).abs() < 43_200.0;
        is_that_night && apparent_moon(&observer, at).airless.altitude.degrees() > -0.6
    }

    /// What to do about a moment without a frame.
    fn remedy(&self, at: Instant) -> String {
        let times = || self.night.frames.iter().filter_map(|f| f.time).map(|t| t.middle);
        let apart = times().map(|t| t.seconds_since(at).abs()).fold(f64::INFINITY, f64::min);
        match (times().next(), times().next_back()) {
            (Some(first), Some(last)) if apart > 3600.0 => {
                format!("the night's frames lie between {} and {}", first.to_iso_utc(), last.to_iso_utc())
            }
            _ => "widen `within_minutes`, or say `missing: Simulated` if the Moon stood over the horizon".into(),
        }
    }

    fn within(&self) -> f64 {
        self.wanted.within_minutes.unwrap_or(WITHIN_MINUTES)
    }

    /// The frame that an instant is the middle of, to half a second: who names that, means it.
    fn the_very_frame(&self, chosen: &[Chosen<'a>], name: &str, at: Instant) -> Option<Chosen<'a>> {
        const HALF_A_SECOND: f64 = 0.5;
        wanted::parse(name).filter(|m| matches!(m, Moment::At(_)))?;
        let off = |c: &Chosen<'a>| c.instant.map_or(f64::INFINITY, |i| i.seconds_since(at).abs());
        chosen.iter().filter(|c| off(c) <= HALF_A_SECOND).min_by(|a, b| off(a).total_cmp(&off(b))).cloned()
    }

    /// The best frame near an instant, by its quality less half of the best for standing at the end of the reach; a poor one
    /// only where there is no other, unless the layout says how far a frame may lie.
    fn best_near(&self, chosen: &[Chosen<'a>], at: Instant) -> Option<Chosen<'a>> {
        let reach = self.within() * 60.0;
        let near = chosen.iter().filter_map(|c| {
            let off = c.instant?.seconds_since(at).abs();
            let quality = c.registered.map_or(0.0, |f| self.rate(f));
            let poor = if self.wanted.within_minutes.is_none() && self.is_poor(c) { 2.0 } else { 0.0 };
            (off <= reach + 0.5).then(|| (quality - 0.5 * off / reach.max(1.0) - poor, c))
        });
        near.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, c)| c.clone())
    }

    /// Whether nobody would show a disc: cut, drowned in noise or cloud.
    pub(super) fn is_poor(&self, c: &Chosen<'_>) -> bool {
        c.registered.is_some_and(|f| self.rating(f).quality < Quality::POOR)
    }

    /// The best disc of totality, by its quality less half of the best for standing at its end: through all of it the Moon is one
    /// copper disc, and a picture that asks for the greatest eclipse asks for that. Whoever says how far a frame may lie is obeyed.
    fn best_of_totality(&self, chosen: &[Chosen<'a>], eclipse: &LunarEclipse) -> Option<Chosen<'a>> {
        let (from, until) = eclipse.at(Contact::U2).zip(eclipse.at(Contact::U3))?;
        if self.wanted.within_minutes.is_some() {
            return None;
        }
        let half = 0.5 * until.seconds_since(from);
        let worth = |c: &Chosen<'a>| {
            let off = c.instant?.seconds_since(from) / half - 1.0;
            let quality = c.registered.map_or(0.0, |f| self.rate(f));
            (off.abs() <= 1.0 && !self.is_poor(c)).then(|| quality - 0.5 * off.abs())
        };
        let total = chosen.iter().filter_map(|c| Some((worth(c)?, c)));
        total.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, c)| c.clone())
    }

    /// That another disc of totality stands for a moment, and why.
    fn stands_for(&self, name: &str, c: &Chosen<'_>, at: Instant, near: Option<&Chosen<'_>>) -> Diagnostic {
        let minutes = c.instant.map_or(0.0, |i| i.seconds_since(at) / 60.0);
        let when = if minutes < 0.0 { "before" } else { "after" };
        let why = near.map_or_else(
            || format!("no frame was taken within {} minutes of `{name}`", self.within()),
            |near| format!("near `{name}` there is only {}, which nobody would show", near.name()),
        );
        let message =
            format!("{why}; {}, {:.0} minutes {when} it and in totality, stands for it", c.name(), minutes.abs());
        Diagnostic::note("moment-nearby", message).with_help("`within_minutes: 5` takes none from farther away")
    }
}
