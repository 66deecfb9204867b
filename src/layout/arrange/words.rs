//! Title, subtitle, caption, credit and the labels under the discs, before anyone knows how wide letters are.

use super::{Context, Spot, template};
use crate::composition::{Beside, TextAnchor, TextRequest};
use crate::layout::chosen::Chosen;

impl Context<'_> {
    /// A label beside a disc, by the layout's template.
    pub(super) fn label(&self, chosen: &Chosen<'_>, index: usize, spot: &Spot) -> Option<TextRequest> {
        let labels = self.labels?;
        let is_marked = chosen.registered.is_none();
        if !index.is_multiple_of(labels.every) && !is_marked {
            return None;
        }
        let size_px = self.label_size_px();
        let mut text = template::fill(&labels.text, self, chosen);
        if is_marked {
            text = format!("{text} (simulated)").trim().to_owned();
        }
        Some(TextRequest {
            text,
            x_px: spot.centre.x,
            y_px: spot.centre.y + spot.radius_px + 0.45 * size_px,
            anchor: TextAnchor::BelowCentre,
            size_px,
            ink: self.ink(),
            opacity: 0.85,
            beside: Some(Beside { x_px: spot.centre.x, y_px: spot.centre.y, radius_px: spot.radius_px }),
        })
    }

    /// Height of the labels' letters, pixels (checked before: its unit has a meaning).
    pub(super) fn label_size_px(&self) -> f64 {
        let by = self.sheet.measure();
        self.labels.and_then(|l| l.size.to_px(&by)).unwrap_or(40.0)
    }

    /// Room that a line of labels takes under a disc.
    pub(super) fn label_room(&self) -> f64 {
        self.labels.map_or(0.0, |_| 1.6 * self.label_size_px())
    }

    fn line(&self, text: &str, at: (f64, f64), anchor: TextAnchor, size_px: f64, opacity: f32) -> TextRequest {
        TextRequest {
            text: text.to_owned(),
            x_px: at.0,
            y_px: at.1,
            anchor,
            size_px,
            ink: self.ink(),
            opacity,
            beside: None,
        }
    }

    /// Title and subtitle at the top of the area; returns how much height they take.
    pub(super) fn heading(&self, texts: &mut Vec<TextRequest>) -> f64 {
        let (area, middle) = (&self.area, self.area.middle().x);
        let mut y = area.y0 + area.margin;
        let by = area.width.min(1.6 * area.height);
        for (text, share, opacity) in [(self.title, 0.030, 1.0), (self.subtitle, 0.014, 0.7)] {
            if let Some(text) = text {
                let size_px = (share * by).max(12.0);
                texts.push(self.line(text, (middle, y), TextAnchor::BelowCentre, size_px, opacity));
                y += size_px * 1.5;
            }
        }
        let used = y - area.y0 - area.margin;
        if used > 0.0 { used + 0.015 * by } else { 0.0 }
    }

    /// Caption and credit at the foot of the sheet; returns how much height they take.
    pub(super) fn footing(&self, texts: &mut Vec<TextRequest>) -> f64 {
        let area = &self.area;
        let size_px = (0.011 * area.width.min(1.6 * area.height)).max(10.0);
        let y = area.y0 + area.height - area.margin - size_px;
        if let Some(caption) = self.caption {
            texts.push(self.line(caption, (area.middle().x, y), TextAnchor::BelowCentre, size_px, 0.7));
        }
        if let Some(credit) = self.credit {
            let x = area.x0 + area.width - area.margin;
            let at = (x, area.y0 + area.height - 0.5 * area.margin - 0.5 * size_px);
            texts.push(self.line(credit, at, TextAnchor::BelowRight, 0.8 * size_px, 0.5));
        }
        if self.caption.is_some() { 2.2 * size_px } else { 0.0 }
    }
}
