//! Each disc where the Moon really stood: from its instant, the site and the solved pointing of a fixed tripod, or
//! on open sky in a projection.

use super::marks::SkyMarks;
use super::sky_canvas::SkyCanvas;
use super::{Area, Context, IDENTITY, Righting, Spot, scaled};
use crate::composition::{BackplatePlacement, Composition, ForegroundPlacement, OwnMoon};
use crate::diag::Diagnostic;
use crate::ingest::Frame;
use crate::layout::chosen::{Chosen, instant};
use crate::layout::notation::{Backplate, BackplateFit, Canvas, Foreground, Sky, SkyProjection, SkyTrack};
use crate::layout::sheet::Sheet;
use crate::raster::{Matrix2, PixelPoint};
use crate::registration::{FrameRegistration, landscape_of};
use crate::sky::{ApparentPosition, Horizontal, Projection, Refraction};
use crate::units::Angle;

/// The sky that discs are laid on.
struct Ground {
    canvas: SkyCanvas,
    /// The rig whose lens it was seen through, if any.
    rig: Option<usize>,
}

pub(super) fn sky_track(
    context: &Context<'_>,
    track: &SkyTrack,
    chosen: &[Chosen<'_>],
    out: &mut Composition,
) -> Result<Vec<Diagnostic>, Diagnostic> {
    let mut said = Vec::new();
    if context.night.observer().is_none() {
        return Err(super::no_site("a sky track"));
    }
    let seen: Vec<(&Chosen<'_>, ApparentPosition)> =
        chosen.iter().filter_map(|c| Some((c, context.apparent(c.instant)?))).collect();
    if seen.is_empty() {
        return Err(unsolved());
    }
    let ground = match &track.backplate {
        Backplate::Sky(sky) => context.open_sky(sky, &seen, track.enlarge)?,
        _ => context.camera_ground(track, chosen, out, &mut said)?,
    };
    // Alone, the picture has the backplate's size, and so have its words and marks.
    let context = &match ground.rig {
        Some(_) if context.is_alone() && track.fit.is_none() => {
            let (width, height) = (out.width, out.height);
            let sheet = Sheet { width, height, margin: 0.04 * width.min(height) as f64, ..context.sheet };
            Context { sheet, area: Area::of(&sheet), ..*context }
        }
        _ => Context { ..*context },
    };
    let front = out.backplates.iter().rposition(|b| b.foreground != ForegroundPlacement::Nothing);
    let first = out.placements.len();
    for (c, position) in &seen {
        let Some(spot) = context.spot(&ground, track, c, position)? else { continue };
        context.lay(out, c, c.slot, &spot);
    }
    out.placements[first..].iter_mut().for_each(|p| p.behind_foreground = front);
    let times: Vec<_> = chosen.iter().filter_map(|c| c.instant).collect();
    let radius_px = out.placements[first..].iter().map(|p| p.radius_px).fold(0.0, f64::max);
    context.sky_marks(&SkyMarks { canvas: &ground.canvas, times: &times, radius_px }, out);
    context.heading(&mut out.texts);
    context.footing(&mut out.texts);
    Ok(said)
}

fn unsolved() -> Diagnostic {
    Diagnostic::error("no-pointing", "a sky track needs frames from a fixed tripod, with a site and times").with_help(
        "write `mount: FixedTripod`, `site` and `clock` into shoot.ron beside the frames; or lay the discs on `backplate: Sky()`",
    )
}

/// Whether a canvas was given a size of its own.
fn sizes_itself(canvas: &Canvas) -> bool {
    let usual = Canvas::default();
    canvas.page.is_some() || canvas.width != usual.width || canvas.height != usual.height
}

/// The middle of the rectangle around places.
fn middle_of(places: impl Iterator<Item = PixelPoint>) -> Option<PixelPoint> {
    let bounds = places.map(|p| (p, p)).reduce(|(low, high), (p, _)| {
        (PixelPoint::new(low.x.min(p.x), low.y.min(p.y)), PixelPoint::new(high.x.max(p.x), high.y.max(p.y)))
    });
    bounds.map(|(low, high)| PixelPoint::new((low.x + high.x) / 2.0, (low.y + high.y) / 2.0))
}

fn as_seen(position: &ApparentPosition) -> Horizontal {
    position.refracted(Refraction::default())
}

impl Context<'_> {
    /// Where one disc lies; `None` outside the canvas's sky.
    fn spot(
        &self,
        ground: &Ground,
        track: &SkyTrack,
        c: &Chosen<'_>,
        position: &ApparentPosition,
    ) -> Result<Option<Spot>, Diagnostic> {
        let seen = as_seen(position);
        let at = ground.canvas.to_canvas(seen).zip(ground.canvas.pixels_per_radian(seen));
        let Some((centre, pixels_per_radian)) = at else { return Ok(None) };
        if let SkyCanvas::Camera { pointing, scale, corner } = &ground.canvas
            && ground.rig.is_some()
            && ground.rig == c.registered.map(|f| f.rig)
        {
            // Its own lens: the disc lies as it was taken, and the canvas stretches the sky as the lens did.
            let lens = pointing.lens;
            let pixel = PixelPoint::new((centre.x - corner.x) / scale, (centre.y - corner.y) / scale);
            let metric = lens.local_metric(pixel);
            let [[a, b], [cc, d]] = metric;
            // Enlarged, what the lens made an ellipse would be an egg.
            let as_taken = track.enlarge == 1.0 || track.stretch;
            return Ok(Some(Spot {
                centre,
                radius_px: lens.disc_radius_px(pixel, position.semidiameter) * scale * track.enlarge,
                turn: Righting::AS_SHOT,
                stretch: if as_taken { scaled(metric, 1.0 / (a * d - b * cc).abs().sqrt()) } else { IDENTITY },
            }));
        }
        let north_up = match c.registered {
            None => Righting::AS_SHOT,
            Some(f) => Righting::north_up(&f.orientation.ok_or_else(|| self.unturned())?).and(f.nudge.turn),
        };
        let zenith = ground.canvas.zenith_turn(seen).unwrap_or(Angle::ZERO);
        let stretch: Matrix2 = if track.stretch { ground.canvas.stretch(seen).unwrap_or(IDENTITY) } else { IDENTITY };
        Ok(Some(Spot {
            centre,
            radius_px: position.semidiameter.radians() * pixels_per_radian * track.enlarge,
            turn: north_up.and(position.parallactic_angle).and(zenith),
            stretch,
        }))
    }

    /// Sky in a projection, fitted to the discs where the layout does not say.
    fn open_sky(
        &self,
        sky: &Sky,
        seen: &[(&Chosen<'_>, ApparentPosition)],
        enlarge: f64,
    ) -> Result<Ground, Diagnostic> {
        let projection = match sky.projection {
            SkyProjection::Tan => Projection::Tan,
            SkyProjection::Stg => Projection::Stg,
            SkyProjection::Arc => Projection::Arc,
            SkyProjection::Zea => Projection::Zea,
        };
        let (area, middle) = (&self.area, self.area.middle());
        let places: Vec<Horizontal> = seen.iter().map(|(_, p)| as_seen(p)).collect();
        let sum = places.iter().fold(nalgebra::Vector3::zeros(), |sum, p| sum + p.direction());
        let centre = match sky.centre_deg {
            Some((azimuth, altitude)) => {
                Horizontal { azimuth: Angle::from_degrees(azimuth), altitude: Angle::from_degrees(altitude) }
            }
            None if sum.norm() > 1e-6 => {
                let altitude = Angle::from_radians((sum.z / sum.norm()).asin());
                Horizontal { azimuth: Angle::from_radians(sum.y.atan2(sum.x)), altitude }
            }
            None => return Err(Diagnostic::error("nothing-to-show", "no frame with a time is left to show")),
        };
        let ground = |pixels_per_radian: f64, middle: PixelPoint| Ground {
            canvas: SkyCanvas::projected(projection, centre, middle, pixels_per_radian),
            rig: None,
        };
        if let Some(width) = sky.width_deg {
            // The width along the horizontal through the middle, as the projection has it.
            let half = nalgebra::Vector3::new((width.to_radians() / 2.0).sin(), 0.0, (width.to_radians() / 2.0).cos());
            let reach = projection.forward(&half).map_or(width.to_radians() / 2.0, |p| p.0);
            return Ok(ground(area.width / 2.0 / reach, middle));
        }
        // All discs within the margins.
        let unit = ground(1.0, PixelPoint::default());
        let laid: Vec<PixelPoint> = places.iter().filter_map(|p| unit.canvas.to_canvas(*p)).collect();
        let radius = seen.iter().map(|(_, p)| p.semidiameter.radians()).fold(0.0, f64::max) * 1.1 * enlarge;
        let low = |f: fn(&PixelPoint) -> f64| laid.iter().map(f).fold(f64::INFINITY, f64::min) - radius;
        let high = |f: fn(&PixelPoint) -> f64| laid.iter().map(f).fold(f64::NEG_INFINITY, f64::max) + radius;
        let (x0, x1, y0, y1) = (low(|p| p.x), high(|p| p.x), low(|p| p.y), high(|p| p.y));
        let room = (area.width - 2.0 * area.margin, area.height - 2.0 * area.margin);
        let scale = (room.0 / (x1 - x0).max(1e-6)).min(room.1 / (y1 - y0).max(1e-6));
        let middle = PixelPoint::new(middle.x - scale * (x0 + x1) / 2.0, middle.y - scale * (y0 + y1) / 2.0);
        Ok(ground(scale, middle))
    }

    /// The sky as a fixed tripod saw it, with its frame below.
    fn camera_ground(
        &self,
        track: &SkyTrack,
        chosen: &[Chosen<'_>],
        out: &mut Composition,
        said: &mut Vec<Diagnostic>,
    ) -> Result<Ground, Diagnostic> {
        let own = chosen.iter().find_map(|c| c.registered).map_or(0, |f| f.rig);
        let frame = self.backplate_frame(track, own, said)?;
        // The registration's rigs are not the night's: a zoom that the frames show is a rig of its own.
        let index = frame.and_then(|f| self.registration.frame(&f.name)).map_or(own, |f| f.rig);
        let rig = self.registration.rigs.get(index).filter(|r| !r.pointings.is_empty());
        // A foreground frame of another exposure time may count as the same camera's other rig.
        let (index, rig) = match rig {
            Some(rig) => (index, rig),
            None => {
                let same = |r: &crate::registration::RigSolution| {
                    frame.is_some_and(|f| (f.metadata.width, f.metadata.height) == (r.width, r.height))
                };
                let found = self.registration.rigs.iter().enumerate().find(|(_, r)| !r.pointings.is_empty() && same(r));
                found.ok_or_else(unsolved)?
            }
        };
        // The aim that held when the backplate was taken: the picture is seen from there.
        let at = frame.map_or(chosen.first().and_then(|c| c.instant), |f| {
            self.registration.frame(&f.name).and_then(instant).or(f.time.map(|t| t.middle))
        });
        let solved = rig.pointing_at(at).ok_or_else(unsolved)?;
        if let Some(f) = frame
            && (f.metadata.width, f.metadata.height) != (rig.width, rig.height)
        {
            let sizes = format!(
                "{} is {}x{} px, the Moon's frames are {}x{}",
                f.name, f.metadata.width, f.metadata.height, rig.width, rig.height
            );
            return Err(Diagnostic::error("backplate-size", sizes)
                .with_help("the backplate must come from the same tripod and lens"));
        }
        if track.fit.is_none() && self.is_alone() && sizes_itself(&self.layout.file.canvas) {
            let message = format!(
                "the picture takes the frame's {} x {} px and not the size of the canvas",
                (rig.width as f64 * track.scale).round(),
                (rig.height as f64 * track.scale).round()
            );
            let help = "with `fit: Crop` or `fit: Whole` the frame is fitted to the canvas";
            said.push(Diagnostic::note("canvas-not-heeded", message).with_help(help));
        }
        let seen = chosen.iter().filter_map(|c| solved.pointing.to_pixel(as_seen(&self.apparent(c.instant)?)));
        let (scale, corner) = self.lay_out(track, (rig.width, rig.height), middle_of(seen), out);
        if let Some(f) = frame {
            out.backplates.push(BackplatePlacement {
                frame: f.name.clone(),
                scale,
                corner_px: (corner.x, corner.y),
                size_px: (rig.width as f64 * scale, rig.height as f64 * scale),
                gain: track.backplate_gain as f32,
                foreground: self.foreground(&track.foreground),
                own_moon: self.own_moon(track, (f, index), chosen, said),
            });
        }
        Ok(Ground { canvas: SkyCanvas::Camera { pointing: solved.pointing, scale, corner }, rig: Some(index) })
    }

    /// A backplate's own Moon, where none of the picture's discs stands for it: enlarged ones beside it, another frame's, or
    /// none at all. It is taken out by the sky of the frame of the same aim that is exposed most alike and shows the Moon
    /// elsewhere; where there is none it stays, and that is said.
    fn own_moon(
        &self,
        track: &SkyTrack,
        (frame, rig): (&Frame, usize),
        chosen: &[Chosen<'_>],
        said: &mut Vec<Diagnostic>,
    ) -> Option<OwnMoon> {
        /// Glow and bloom of a Moon that a landscape's exposure clips, radii and pixels.
        const GLOW: (f64, f64) = (4.0, 8.0);
        /// Exposures further apart than this show another sky: a logarithm, two stops.
        const ALIKE: f64 = 1.4;
        let own = self.registration.frame(&frame.name)?;
        let (centre, radius) = (own.centre()?, own.radius_px()?);
        let is_shown = chosen.iter().any(|c| c.registered.is_some_and(|f| f.file == frame.name));
        if is_shown && track.enlarge == 1.0 {
            return None;
        }
        let solution = self.registration.rigs.get(rig)?;
        let aim = solution.pointing_at(own.time)?;
        let reach = GLOW.0 * radius + GLOW.1;
        let exposure = frame.metadata.exposure.map(|e| e.light_gain());
        let unlike = |f: &Frame| match (exposure, f.metadata.exposure) {
            (Some(a), Some(b)) => (b.light_gain() / a).ln().abs(),
            _ => f64::INFINITY,
        };
        let elsewhere = |f: &FrameRegistration| {
            let moon = f.centre().or_else(|| aim.pointing.to_pixel(as_seen(&self.apparent(f.time)?)));
            let same_aim = solution.pointing_at(f.time).is_some_and(|p| p.from == aim.from);
            same_aim && moon.is_none_or(|at| at.distance(centre) > 2.0 * reach)
        };
        let others = self.registration.frames.iter().filter(|f| f.rig == rig && !f.exclude && elsewhere(f));
        let best = others
            .filter_map(|f| self.night.frame(&f.file))
            .filter(|f| unlike(f) < ALIKE)
            .min_by(|a, b| unlike(a).total_cmp(&unlike(b)));
        if best.is_none() {
            let message =
                format!("{} shows a Moon of its own beside the discs, and no frame shows the sky there", frame.name);
            let help = "frames of the same aim and much the same exposure, the Moon elsewhere, would take it out";
            said.push(Diagnostic::note("backplate-moon-stays", message).with_help(help));
        }
        if let Some(f) = best {
            let message = format!("the Moon of {} is taken out by the sky of {}", frame.name, f.name);
            said.push(Diagnostic::note("backplate-moon-replaced", message));
        }
        best.map(|f| OwnMoon { centre_px: (centre.x, centre.y), reach_px: reach, from: f.name.clone() })
    }

    /// Alone, the picture takes the frame's size unless it is fitted; in a panel, the frame is fitted into it. `moons` is the
    /// middle of the Moon's places, frame pixels.
    fn lay_out(
        &self,
        track: &SkyTrack,
        frame: (usize, usize),
        moons: Option<PixelPoint>,
        out: &mut Composition,
    ) -> (f64, PixelPoint) {
        let (w, h) = (frame.0 as f64, frame.1 as f64);
        let fit = match track.fit {
            None if self.is_alone() => {
                out.width = (w * track.scale).round().max(1.0) as usize;
                out.height = (h * track.scale).round().max(1.0) as usize;
                return (track.scale, PixelPoint::default());
            }
            // A panel shows nothing beyond itself.
            Some(fit) if self.is_alone() => fit,
            _ => BackplateFit::Whole,
        };
        let (across, down, middle) = (self.area.width / w, self.area.height / h, self.area.middle());
        if fit == BackplateFit::Whole {
            let scale = across.min(down);
            return (scale, PixelPoint::new(middle.x - scale * w / 2.0, middle.y - scale * h / 2.0));
        }
        let scale = across.max(down);
        let moons = moons.unwrap_or(PixelPoint::new(w / 2.0, h / 2.0));
        // The Moons in the middle, as far as the frame reaches.
        let corner =
            |moon: f64, side: f64, room: f64| (room / 2.0 - scale * moon).clamp((room - scale * side).min(0.0), 0.0);
        (scale, PixelPoint::new(corner(moons.x, w, self.area.width), corner(moons.y, h, self.area.height)))
    }

    /// Whether this arrangement is the whole picture, and no panel of it.
    fn is_alone(&self) -> bool {
        self.name == super::name_of(&self.layout.file.arrangement)
    }

    fn foreground(&self, foreground: &Foreground) -> ForegroundPlacement {
        match foreground {
            Foreground::Nothing => ForegroundPlacement::Nothing,
            Foreground::DarkerThanSky(share) => ForegroundPlacement::DarkerThanSky(*share as f32),
            Foreground::Mask(file) => {
                let folder = self.layout.path.parent().unwrap_or(std::path::Path::new("."));
                ForegroundPlacement::Mask(folder.join(file))
            }
        }
    }

    /// The landscape that a fixed tripod's frames show by themselves.
    fn own_landscape(&self, rig: usize) -> Option<&Frame> {
        self.registration.rigs.get(rig).filter(|r| !r.pointings.is_empty())?;
        landscape_of(self.night, self.registration, rig)
    }

    /// The frame that the shoot notes name, of several one whose file is whole.
    fn noted_landscape(&self) -> Option<&Frame> {
        let named = || self.night.frames.iter().filter(|f| f.foreground);
        let is_whole = |f: &&Frame| self.registration.frame(&f.name).is_none_or(|r| r.told.is_none());
        named().find(is_whole).or_else(|| named().next())
    }

    fn backplate_frame(
        &self,
        track: &SkyTrack,
        rig: usize,
        said: &mut Vec<Diagnostic>,
    ) -> Result<Option<&Frame>, Diagnostic> {
        match &track.backplate {
            Backplate::Plain | Backplate::Sky(_) => Ok(None),
            Backplate::Frame(name) => match self.night.frame(name) {
                Some(frame) => Ok(Some(frame)),
                None => Err(self.layout.no_frame(&["SkyTrack", "backplate"], name, self.night)),
            },
            Backplate::Foreground => match self.noted_landscape() {
                Some(frame) => Ok(Some(frame)),
                None => {
                    let frame = self.own_landscape(rig).ok_or_else(unsolved)?;
                    let message = format!(
                        "no foreground frame that the shoot notes name is there; {} is the landscape, by the exposures recorded",
                        frame.name
                    );
                    let help = "write `foreground: [\"…\"]` into shoot.ron, or `backplate: Frame(\"…\")`, `Plain` or `Sky()` into the layout";
                    said.push(Diagnostic::note("backplate-found", message).with_help(help));
                    Ok(Some(frame))
                }
            },
        }
    }
}
