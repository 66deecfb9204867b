//! What a picture says of itself: how it was made, as XMP (ISO 16684-1) and as plain words.

use crate::diag::in_markup;
use std::fmt::Write as _;

/// How a picture was made. Every field that is known is written into the file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PictureRecord {
    /// Its title.
    pub title: Option<String>,
    /// One line: title, night, program, layout.
    pub description: String,
    /// Where the camera stood.
    pub site: Option<String>,
    /// Which eclipse it shows.
    pub eclipse: Option<String>,
    /// The layout's file name.
    pub layout: String,
    /// SHA-256 of the layout's text.
    pub layout_digest: String,
    /// How many photographed discs it shows.
    pub discs: usize,
    /// Discs that no camera saw, in the order in which they were laid.
    pub simulated: Vec<String>,
    /// What of it shows no moment that was seen: a film's cross-fades.
    pub cross_faded: Option<String>,
}

/// The program and its version.
pub(super) const PROGRAM: &str = concat!("moonloom ", env!("CARGO_PKG_VERSION"));

/// The record as an XMP packet (ISO 16684-1:2019, 7.3), with names of its own under `urn:moonloom:picture:1`.
pub(super) fn xmp(record: &PictureRecord) -> String {
    let mut out = String::from(
        "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n\
         <x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n\
         <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n\
         <rdf:Description rdf:about=\"\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\" \
         xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\" xmlns:moonloom=\"urn:moonloom:picture:1\">\n",
    );
    let mut alternative = |name: &str, text: &str| {
        let text = in_markup(text);
        let _ =
            writeln!(out, "<dc:{name}><rdf:Alt><rdf:li xml:lang=\"x-default\">{text}</rdf:li></rdf:Alt></dc:{name}>");
    };
    if let Some(title) = &record.title {
        alternative("title", title);
    }
    alternative("description", &record.description);
    let _ = writeln!(out, "<xmp:CreatorTool>{PROGRAM}</xmp:CreatorTool>");
    let mut own = |name: &str, text: &str| {
        let _ = writeln!(out, "<moonloom:{name}>{}</moonloom:{name}>", in_markup(text));
    };
    for (name, text) in [("site", &record.site), ("eclipse", &record.eclipse)] {
        if let Some(text) = text {
            own(name, text);
        }
    }
    own("layout", &record.layout);
    own("layoutDigest", &record.layout_digest);
    own("photographedDiscs", &record.discs.to_string());
    if !record.simulated.is_empty() {
        own("simulatedDiscs", &record.simulated.join(", "));
    }
    if let Some(what) = &record.cross_faded {
        own("crossFaded", what);
    }
    out.push_str("</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn titles_with_markup_stay_words() {
        let record = PictureRecord { title: Some("Sun & <Moon>".into()), ..PictureRecord::default() };
        assert!(xmp(&record).contains("Sun &amp; &lt;Moon&gt;"));
    }
}
