//! What of a frame is to be ignored, by the notes: borders, pasted strips, captions, dates printed into a corner.
//!
//! Strips that are plain enough are found without being told (`border`); everything else only a person can tell from the
//! sky. Where such a rectangle lies no limb is looked for, and no disc shows a pixel of it. (A backplate is shown as it is, and
//! the sky around a disc is measured robustly enough for a caption beside it.)

use crate::raster::{PixelPoint, PixelRect};
use serde::{Deserialize, Serialize};

/// Parts of the frames that are no photograph.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Ignored {
    /// So many pixels along each edge.
    pub border_px: u32,
    /// And these rectangles, of all frames or of some, in pixels of the frame as shown.
    pub rectangles: Vec<IgnoredRectangle>,
}

/// A rectangle of a frame, pixels from its upper left corner.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IgnoredRectangle {
    /// Its left edge.
    pub left_px: u32,
    /// Its top edge.
    pub top_px: u32,
    /// How wide it is.
    pub width_px: u32,
    /// How high it is.
    pub height_px: u32,
    /// The frames that it lies over, by their names; none: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<String>,
}

/// Within so many radii a rectangle touches a disc: its limb is blurred, and its mask soft.
const TOUCHING: f64 = 1.05;

impl From<&IgnoredRectangle> for PixelRect {
    fn from(r: &IgnoredRectangle) -> PixelRect {
        let (x0, y0) = (i64::from(r.left_px), i64::from(r.top_px));
        PixelRect { x0, y0, x1: x0 + i64::from(r.width_px), y1: y0 + i64::from(r.height_px) }
    }
}

impl Ignored {
    /// Whether nothing is.
    pub fn is_empty(&self) -> bool {
        *self == Ignored::default()
    }

    /// What concerns one frame, without the names of others.
    pub(super) fn of_frame(&self, name: &str) -> Ignored {
        let concerns = |r: &&IgnoredRectangle| r.files.is_empty() || r.files.iter().any(|f| f == name);
        let concerning = self.rectangles.iter().filter(concerns);
        Ignored { rectangles: concerning.map(|r| IgnoredRectangle { files: Vec::new(), ..*r }).collect(), ..*self }
    }

    /// Whether every frame has the same ignored.
    pub(super) fn is_alike_for_all(&self) -> bool {
        self.rectangles.iter().all(|r| r.files.is_empty())
    }

    /// The frames that rectangles name.
    pub(super) fn files(&self) -> impl Iterator<Item = &String> {
        self.rectangles.iter().flat_map(|r| &r.files)
    }

    /// What is left of a frame inside its border.
    pub(super) fn inside_border(&self, whole: PixelRect) -> PixelRect {
        let by = i64::from(self.border_px);
        PixelRect { x0: whole.x0 + by, y0: whole.y0 + by, x1: whole.x1 - by, y1: whole.y1 - by }.intersection(whole)
    }

    /// The rectangles of a frame of a size that show nothing: those of the notes, and what lies outside `photographed`.
    pub(super) fn rectangles_of(&self, (width, height): (usize, usize), photographed: PixelRect) -> Vec<PixelRect> {
        let whole = PixelRect::of_size(width, height);
        let p = self.inside_border(whole).intersection(photographed);
        let beside = [
            PixelRect { y1: p.y0, ..whole },
            PixelRect { y0: p.y1, ..whole },
            PixelRect { x1: p.x0, ..whole },
            PixelRect { x0: p.x1, ..whole },
        ];
        let noted = self.rectangles.iter().map(|r| PixelRect::from(r).intersection(whole));
        beside.into_iter().map(|r| r.intersection(whole)).chain(noted).filter(|r| !r.is_empty()).collect()
    }

    /// A window around a disc, cut off where a rectangle of the notes touches the disc: along the side that leaves most
    /// of it.
    pub(super) fn free_of(&self, window: PixelRect, centre: PixelPoint, radius_px: f64) -> PixelRect {
        let touching = self.rectangles.iter().map(PixelRect::from).filter(|r| {
            let beside = |at: f64, from: i64, to: i64| (from as f64 - at).max(at - to as f64).max(0.0);
            beside(centre.x, r.x0, r.x1).hypot(beside(centre.y, r.y0, r.y1)) < TOUCHING * radius_px
        });
        touching.fold(window, |free, r| without(free, r, centre))
    }
}

/// The part of a window beside a rectangle: of the four, the one that reaches furthest around a place.
fn without(window: PixelRect, taken: PixelRect, centre: PixelPoint) -> PixelRect {
    if window.intersection(taken).is_empty() {
        return window;
    }
    let sides = [
        (taken.y0 as f64 - centre.y, PixelRect { y1: taken.y0.min(window.y1), ..window }),
        (centre.y - taken.y1 as f64, PixelRect { y0: taken.y1.max(window.y0), ..window }),
        (taken.x0 as f64 - centre.x, PixelRect { x1: taken.x0.min(window.x1), ..window }),
        (centre.x - taken.x1 as f64, PixelRect { x0: taken.x1.max(window.x0), ..window }),
    ];
    sides.into_iter().max_by(|a, b| a.0.total_cmp(&b.0)).map_or(window, |side| side.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn caption() -> Ignored {
        let strip = IgnoredRectangle { left_px: 10, top_px: 80, width_px: 30, height_px: 8, files: Vec::new() };
        Ignored { border_px: 2, rectangles: vec![strip] }
    }

    #[test]
    fn a_border_and_a_caption_show_nothing() {
        let found = caption().rectangles_of((100, 90), PixelRect::of_size(100, 90));
        assert_eq!(found.len(), 5);
        let covered = |x: i64, y: i64| found.iter().any(|r| x >= r.x0 && x < r.x1 && y >= r.y0 && y < r.y1);
        assert!(covered(0, 50) && covered(98, 50) && covered(50, 1) && covered(50, 89) && covered(20, 84));
        assert!(!covered(50, 50) && !covered(50, 84));
        let all = Ignored { border_px: u32::MAX, ..Ignored::default() };
        assert!(all.rectangles_of((100, 90), PixelRect::of_size(100, 90)).iter().any(|r| !r.is_empty()));
        assert!(all.inside_border(PixelRect::of_size(100, 90)).is_empty());
        assert!(Ignored::default().rectangles_of((100, 90), PixelRect::of_size(100, 90)).is_empty());
    }

    #[test]
    fn a_rectangle_of_some_frames_lies_over_no_other() {
        let mut ignored = caption();
        assert!(ignored.is_alike_for_all());
        ignored.rectangles[0].files = vec!["b.jpg".into()];
        assert!(!ignored.is_alike_for_all() && ignored.of_frame("b.jpg") == caption());
        assert_eq!(ignored.of_frame("a.jpg"), Ignored { border_px: 2, rectangles: Vec::new() });
    }

    #[test]
    fn a_disc_loses_only_what_lies_beyond_a_caption() {
        let window = PixelRect { x0: 0, y0: 20, x1: 60, y1: 90 };
        let free = caption().free_of(window, PixelPoint::new(30.0, 55.0), 30.0);
        assert_eq!(free, PixelRect { y1: 80, ..window });
        let beside = PixelRect { x0: 50, y0: 20, x1: 90, y1: 90 };
        assert_eq!(caption().free_of(beside, PixelPoint::new(70.0, 55.0), 25.0), beside);
        let touched_by_none = caption().free_of(window, PixelPoint::new(30.0, 55.0), 20.0);
        assert_eq!(touched_by_none, window);
    }
}
