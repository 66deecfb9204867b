//! Finding lunar eclipses and their contacts.
//!
//! Contacts are geocentric, as in the published canons: the Moon's limb touches the shadow's edge
//! for an observer at the Earth's centre; a lunar eclipse happens on the Moon, so they hold for
//! every place within a second.

use super::{ShadowGeometry, ShadowRule, geocentric_shadow, geocentric_shadow_by, serves};
use crate::units::Instant;
use std::fmt;

/// The moments of an eclipse, named as in the published canons.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Contact {
    /// The Moon enters the penumbra.
    P1,
    /// The umbra touches the limb.
    U1,
    /// Totality begins.
    U2,
    /// The Moon is nearest the shadow's axis.
    Greatest,
    /// Totality ends.
    U3,
    /// The Moon leaves the umbra.
    U4,
    /// The Moon leaves the penumbra.
    P4,
}

impl fmt::Display for Contact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Contact::P1 => "P1",
            Contact::U1 => "U1",
            Contact::U2 => "U2",
            Contact::Greatest => "greatest",
            Contact::U3 => "U3",
            Contact::U4 => "U4",
            Contact::P4 => "P4",
        })
    }
}

/// What kind of eclipse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EclipseKind {
    /// The Moon touches only the penumbra.
    Penumbral,
    /// Part of the Moon enters the umbra.
    Partial,
    /// The whole Moon enters the umbra.
    Total,
}

impl std::fmt::Display for EclipseKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            EclipseKind::Penumbral => "penumbral",
            EclipseKind::Partial => "partial",
            EclipseKind::Total => "total",
        })
    }
}

/// One eclipse of the Moon.
#[derive(Clone, Debug)]
pub struct LunarEclipse {
    /// Penumbral, partial or total.
    pub kind: EclipseKind,
    /// Contacts that happen, in time order, greatest eclipse among them.
    pub contacts: Vec<(Contact, Instant)>,
    /// Share of the Moon's diameter in the umbra at greatest eclipse.
    pub umbral_magnitude: f64,
    /// Share of the Moon's diameter in the penumbra at greatest eclipse.
    pub penumbral_magnitude: f64,
    /// Number of the Saros series.
    pub saros: i64,
    /// Least distance of the Moon's centre from the shadow's axis in Earth radii, north positive.
    pub gamma: f64,
}

impl LunarEclipse {
    /// When a contact happens, if it does.
    pub fn at(&self, contact: Contact) -> Option<Instant> {
        self.contacts.iter().find(|(c, _)| *c == contact).map(|(_, t)| *t)
    }
    /// Greatest eclipse.
    pub fn greatest(&self) -> Instant {
        self.at(Contact::Greatest).unwrap_or(Instant::from_tt_seconds(0.0))
    }
}

/// How far inside (positive) the shadow's edge the Moon's limb is, radians.
type Depth = fn(&ShadowGeometry) -> f64;

const DEPTHS: [(Contact, Contact, Depth); 3] = [
    (Contact::P1, Contact::P4, |g| (g.penumbra_radius + g.moon_semidiameter - g.separation).radians()),
    (Contact::U1, Contact::U4, |g| (g.umbra_radius + g.moon_semidiameter - g.separation).radians()),
    (Contact::U2, Contact::U3, |g| (g.umbra_radius - g.moon_semidiameter - g.separation).radians()),
];

/// Least separation near a guess, by golden-section search then a parabola.
fn greatest_near(guess: Instant) -> Instant {
    let separation = |s: f64| geocentric_shadow(guess.plus_seconds(s)).separation.radians();
    let golden = 0.618_033_988_749_895;
    let (mut a, mut b) = (-57_600.0, 57_600.0);
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut fc, mut fd) = (separation(c), separation(d));
    while b - a > 600.0 {
        if fc < fd {
            (b, d, fd) = (d, c, fc);
            c = b - golden * (b - a);
            fc = separation(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + golden * (b - a);
            fd = separation(d);
        }
    }
    // The square of the separation is very nearly a parabola; two steps reach a millisecond.
    let mut middle = 0.5 * (a + b);
    for step in [300.0, 120.0, 120.0] {
        let square = |s: f64| separation(s).powi(2);
        let (l, m, r) = (square(middle - step), square(middle), square(middle + step));
        let bend = l - 2.0 * m + r;
        if bend > 0.0 {
            middle += (0.5 * step * (l - r) / bend).clamp(-1200.0, 1200.0);
        }
    }
    guess.plus_seconds(middle)
}

/// Offset at which a depth is expected to cross zero, seconds from greatest eclipse: the Moon moves
/// on a straight line past the axis, at the speed it has an hour from greatest.
fn expected_crossing(at_greatest: &ShadowGeometry, an_hour_on: &ShadowGeometry, depth: Depth) -> f64 {
    let least = at_greatest.separation.radians();
    let reach = least + depth(at_greatest);
    let speed = (an_hour_on.separation.radians().powi(2) - least * least).max(0.0).sqrt() / 3600.0;
    (reach * reach - least * least).max(0.0).sqrt() / speed.max(1e-9)
}

/// Where a depth crosses zero between two offsets from `origin`, by the secant method kept
/// inside its bracket (Illinois).
fn crossing(rule: ShadowRule, origin: Instant, depth: Depth, outside_s: f64, inside_s: f64) -> Instant {
    let value = |s: f64| depth(&geocentric_shadow_by(rule, origin.plus_seconds(s)));
    let (mut a, mut b) = (outside_s, inside_s);
    let (mut fa, mut fb) = (value(a), value(b));
    for _ in 0..60 {
        let c = b - fb * (b - a) / (fb - fa);
        let fc = value(c);
        if fc * fb < 0.0 {
            (a, fa) = (b, fb);
        } else {
            fa *= 0.5;
        }
        (b, fb) = (c, fc);
        if fc.abs() < 1e-12 || (b - a).abs() < 1e-4 {
            break;
        }
    }
    origin.plus_seconds(b)
}

/// The eclipse at a full Moon, if there is one.
fn eclipse_at_full_moon(rule: ShadowRule, lunation: i64) -> Option<LunarEclipse> {
    let greatest = greatest_near(mean_full_moon(lunation));
    let geometry = geocentric_shadow_by(rule, greatest);
    let diameter = geometry.moon_semidiameter.radians() * 2.0;
    let [penumbral, umbral, total] = DEPTHS.map(|(_, _, depth)| depth(&geometry));
    if penumbral <= 0.0 || penumbral.is_nan() {
        return None;
    }
    let kind = match (umbral > 0.0, total > 0.0) {
        (_, true) => EclipseKind::Total,
        (true, false) => EclipseKind::Partial,
        _ => EclipseKind::Penumbral,
    };
    let an_hour_on = geocentric_shadow_by(rule, greatest.plus_seconds(3600.0));
    let mut contacts = vec![(Contact::Greatest, greatest)];
    for (first, last, depth) in DEPTHS {
        if depth(&geometry) > 0.0 {
            let near = expected_crossing(&geometry, &an_hour_on, depth);
            // The line is true to minutes; a bracket that does not hold the crossing is widened.
            let (outside, inside) = (1.03 * near + 240.0, 0.97 * near - 240.0);
            let bracket = |sign: f64| {
                let at = |s: f64| depth(&geocentric_shadow_by(rule, greatest.plus_seconds(sign * s)));
                let holds = inside > 0.0 && at(outside) < 0.0 && at(inside) > 0.0;
                if holds { (sign * outside, sign * inside) } else { (sign * 14_400.0, 0.0) }
            };
            for (contact, sign) in [(first, -1.0), (last, 1.0)] {
                let (outside, inside) = bracket(sign);
                contacts.push((contact, crossing(rule, greatest, depth, outside, inside)));
            }
        }
    }
    contacts.sort_by(|a, b| a.1.tt_seconds().total_cmp(&b.1.tt_seconds()));
    let sign = if geometry.moon_is_north { 1.0 } else { -1.0 };
    Some(LunarEclipse {
        kind,
        contacts,
        umbral_magnitude: umbral / diameter,
        penumbral_magnitude: penumbral / diameter,
        saros: saros(lunation),
        gamma: sign * geometry.separation.sin() / geometry.moon_parallax.sin(),
    })
}

/// Mean full Moons (Meeus, *Astronomical Algorithms*, eq. 49.1, k + 0.5), good to 14 hours.
fn mean_full_moon(lunation: i64) -> Instant {
    let k = lunation as f64 + 0.5;
    let t = k / 1236.85;
    let days = 5.097_66 + 29.530_588_861 * k + 0.000_154_37 * t * t;
    // Eq. 49.1 counts from JD 2451550.09766, which is 5.09766 days after J2000.0.
    Instant::from_tt_seconds(days * 86_400.0)
}

/// The Saros series of the eclipse at a full Moon.
///
/// Eclipses a Saros (223 lunations) apart share the number; an Inex (358 lunations) later it is one
/// more. Counted from the eclipse of 2018-07-27, Saros 129 (value from memory); good wherever fewer
/// than 223 series run, which is always.
fn saros(lunation: i64) -> i64 {
    const START: (i64, i64) = (229, 129);
    // 358 is 135 modulo 223, whose inverse there is 38.
    let inexes = ((lunation - START.0).rem_euclid(223) * 38).rem_euclid(223);
    START.1 + if inexes > 111 { inexes - 223 } else { inexes }
}

/// The Moon's argument of latitude at a mean full Moon (Meeus, eq. 49.7): an eclipse needs a node.
fn near_node(lunation: i64) -> bool {
    let k = lunation as f64 + 0.5;
    let f = (160.7108 + 390.670_502_84 * k).to_radians();
    f.sin().abs() < 0.40
}

/// All eclipses whose greatest phase lies between two instants.
///
/// Instants that the series do not serve hold no eclipse here; ask [`serves`] first.
pub fn eclipses_between(from: Instant, to: Instant) -> Vec<LunarEclipse> {
    eclipses_between_by(ShadowRule::Danjon, from, to)
}

/// All eclipses between two instants, the shadow sized by a rule.
pub fn eclipses_between_by(rule: ShadowRule, from: Instant, to: Instant) -> Vec<LunarEclipse> {
    let lunation_of = |i: Instant| ((i.tt_seconds() / 86_400.0 - 5.1) / 29.530_588_861).floor() as i64;
    (lunation_of(from) - 2..=lunation_of(to) + 2)
        .filter(|&k| near_node(k))
        .filter(|&k| serves(mean_full_moon(k)))
        .filter_map(|k| eclipse_at_full_moon(rule, k))
        .filter(|e| e.greatest() >= from && e.greatest() <= to)
        .collect()
}

/// The eclipse nearest an instant, if its greatest phase is within four days: for a date that is known roughly.
///
/// Its contacts are those of the Earth as a whole; whether the Moon is up at a site says [`apparent_moon`](super::apparent_moon).
///
/// ```
/// use moonloom::sky::{Contact, Observer, Refraction, apparent_moon, eclipse_near};
/// use moonloom::units::Instant;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let eclipse = eclipse_near(Instant::parse_utc("2028-12-31T00:00:00Z")?).ok_or("there is none")?;
/// assert!(eclipse.at(Contact::U2).is_some(), "it is total");
/// let moon = apparent_moon(&Observer::new(-31.9, 115.75, 3.0)?, eclipse.greatest());
/// // As seen through the air of 1010 mbar and 10 degrees Celsius.
/// assert!(moon.refracted(Refraction::default()).altitude.degrees() > 33.0);
/// # Ok(())
/// # }
/// ```
pub fn eclipse_near(instant: Instant) -> Option<LunarEclipse> {
    let reach = 4.0 * 86_400.0;
    eclipses_between(instant.plus_seconds(-reach), instant.plus_seconds(reach)).into_iter().min_by(|a, b| {
        let distance = |e: &LunarEclipse| e.greatest().seconds_since(instant).abs();
        distance(a).total_cmp(&distance(b))
    })
}

/// The eclipse whose greatest phase lies within so many days of an instant, at most four: as [`eclipse_near`], for a date that is known.
pub fn eclipse_within(instant: Instant, days: f64) -> Option<LunarEclipse> {
    eclipse_near(instant).filter(|e| e.greatest().seconds_since(instant).abs() < days * 86_400.0)
}
