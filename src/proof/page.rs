//! The proof as one HTML page: no network, no script, prints on A4.
//!
//! File names, notes and metadata are anybody's text: everything that is not this file's own goes through [`in_markup`].

use super::frames::{Circle, FrameProof};
use super::windows::Window;
use super::{Proof, Verdict, plots};
use crate::diag::in_markup;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use std::fmt::Write as _;

/// By this the program knows its own pages: no other is replaced.
const MADE_BY: &str = "moonloom proof";

/// Whether a file begins as this program's pages do.
pub(super) fn is_own(beginning: &str) -> bool {
    beginning.starts_with("<!DOCTYPE html>") && beginning.contains(&format!("content=\"{MADE_BY}\""))
}

const STYLE: &str = "\
:root{color-scheme:light}\
*{box-sizing:border-box}\
body{margin:0 auto;max-width:1180px;padding:24px;background:#fff;color:#1e222c;font:15px/1.45 Inter,'Helvetica Neue',Arial,sans-serif}\
h1{font-size:26px;margin:0 0 4px}h2{font-size:19px;margin:32px 0 8px;border-bottom:1px solid #ccd;padding-bottom:4px}\
ol.say{font-size:19px;line-height:1.4;padding-left:1.3em;margin:12px 0}\
ol.say li{margin:6px 0}\
p.small,figcaption,td.small{color:#555c6a;font-size:13px}\
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:4px 10px 4px 0;vertical-align:top;border-bottom:1px solid #e4e6ec}\
th{font-weight:600}\
.sheet{display:grid;grid-template-columns:repeat(auto-fill,minmax(200px,1fr));gap:14px}\
.cell{break-inside:avoid;border:1px solid #d5d8e0;border-radius:4px;padding:8px;overflow-wrap:anywhere}\
.cell svg{display:block;width:100%;height:auto;background:repeating-linear-gradient(45deg,#2b3142,#2b3142 5px,#20242f 5px,#20242f 10px)}\
.cell h3{font-size:14px;margin:6px 0 2px}\
.cell p{margin:0;font-size:12.5px;color:#454b58}\
.cell .state{font-weight:600;color:#1e222c}\
.plots{display:grid;grid-template-columns:repeat(auto-fit,minmax(420px,1fr));gap:18px}\
.plots figure{margin:0;break-inside:avoid}.plots svg{width:100%;height:auto}\
.key svg{width:26px;height:14px;vertical-align:-2px;background:#16181d}\
@media print{@page{size:A4;margin:12mm}body{padding:0;max-width:none;font-size:11pt}\
.sheet{display:block;font-size:0}.cell{display:inline-block;vertical-align:top;width:23.6%;margin:0 1.2% 2.5mm 0;padding:1.5mm}\
.cell h3{font-size:8pt}.cell p{font-size:7pt}.plots{display:block;font-size:0}\
.plots figure{display:inline-block;width:48.5%;margin:0 1% 4mm 0;vertical-align:top}.plots figcaption{font-size:8pt}h2,p.small{break-after:avoid}\
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}}";

pub(super) fn write(proof: &Proof, windows: &[Option<Window>]) -> String {
    let mut out = String::new();
    let title = in_markup(&proof.title);
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\
         <meta name=\"generator\" content=\"{MADE_BY}\"><title>{title}: proof</title><style>{STYLE}</style></head><body>\n<header><h1>{title}</h1>\n<ol class=\"say\">"
    );
    proof.sentences.iter().for_each(|s| out.push_str(&format!("<li>{}</li>", in_markup(s))));
    out.push_str("</ol></header>\n<main>\n");
    claims(&mut out, proof);
    contacts(&mut out, proof);
    sheet(&mut out, proof, windows);
    figures(&mut out, proof);
    rigs(&mut out, proof);
    remarks(&mut out, proof);
    let _ = write!(
        out,
        "</main>\n<footer><p class=\"small\">moonloom {}</p></footer>\n</body></html>\n",
        env!("CARGO_PKG_VERSION")
    );
    out
}

/// A table, its cells escaped; nothing where it has no rows.
fn table(out: &mut String, heading: &str, head: &[&str], rows: &[Vec<String>]) {
    if rows.is_empty() {
        return;
    }
    let cells =
        |row: &[String], tag: &str| row.iter().map(|c| format!("<{tag}>{}</{tag}>", in_markup(c))).collect::<String>();
    let head: Vec<String> = head.iter().map(|h| (*h).to_owned()).collect();
    let _ = write!(out, "<h2>{heading}</h2>\n<table><thead><tr>{}</tr></thead><tbody>\n", cells(&head, "th"));
    rows.iter().for_each(|row| out.push_str(&format!("<tr>{}</tr>\n", cells(row, "td"))));
    out.push_str("</tbody></table>\n");
}

fn claims(out: &mut String, proof: &Proof) {
    let rows: Vec<Vec<String>> = proof
        .claims
        .iter()
        .map(|c| {
            let mark = match c.verdict {
                Verdict::Contradicted => "\u{2715} contradicted: ",
                Verdict::BorneOut => "\u{2713} ",
                Verdict::Untested => "\u{2013} ",
            };
            vec![c.about.to_owned(), c.said.clone(), format!("{mark}{}", c.found)]
        })
        .collect();
    table(
        out,
        "What the records say, and what the frames say of it",
        &["About", "Notes and camera", "The frames"],
        &rows,
    );
}

fn contacts(out: &mut String, proof: &Proof) {
    let near = |frame: &Option<(String, f64)>| {
        frame.as_ref().map_or("none".to_owned(), |(file, s)| format!("{file} ({})", span(*s)))
    };
    let rows: Vec<Vec<String>> = proof
        .contacts
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let then = proof.stretches.get(i).map_or(String::new(), |s| match (s.frames, s.usable) {
                (0, _) => "no frame".to_owned(),
                (n, 0) => format!("{n} taken, no usable frame"),
                (n, usable) => format!("{usable} usable of {n}, longest gap {}", span(60.0 * s.longest_gap_minutes)),
            });
            vec![
                c.name.clone(),
                c.utc.get(..19).unwrap_or(&c.utc).replace('T', " "),
                near(&c.before),
                near(&c.after),
                then,
            ]
        })
        .collect();
    table(
        out,
        "The eclipse, and which frames fall where",
        &["Contact", "UTC", "Last usable frame before", "First usable frame after", "From there to the next contact"],
        &rows,
    );
}

/// A length of time in words.
fn span(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

fn sheet(out: &mut String, proof: &Proof, windows: &[Option<Window>]) {
    out.push_str(
        "<h2>The frames</h2>\n<p class=\"small key\">\
         <svg viewBox=\"0 0 26 14\"><path d=\"M2 7h22\" stroke=\"#fff\" stroke-width=\"1.6\"/></svg> limb as fitted (dashed where the sky alone places it) \
         <svg viewBox=\"0 0 26 14\"><path d=\"M2 7h22\" stroke=\"#fff\" stroke-width=\"1.6\" stroke-dasharray=\"5 3\"/></svg> edge of the umbra, predicted \
         <svg viewBox=\"0 0 26 14\"><path d=\"M2 7h22\" stroke=\"#fff\" stroke-width=\"1.6\" stroke-dasharray=\"1 3\"/></svg> edge of the penumbra, predicted \
         <svg viewBox=\"0 0 26 14\"><path d=\"M4 7h14M18 3l6 4-6 4z\" stroke=\"#fff\" fill=\"#fff\"/></svg> celestial north. \
         \u{25cf} measured, \u{25cb} placed by the sky, \u{2715} not found, \u{25ad} foreground, \u{2013} left out. Hatched: outside the frame. \
         Dark windows are shown brighter by the stops named. Pictures pass over what is rated below 0.35 where better frames are near.</p>\n\
         <div class=\"sheet\">\n",
    );
    for (i, f) in proof.frames.iter().enumerate() {
        cell(out, f, windows.get(i).and_then(Option::as_ref), proof.rigs.len() > 1);
    }
    out.push_str("</div>\n");
}

fn cell(out: &mut String, f: &FrameProof, window: Option<&Window>, several_rigs: bool) {
    let (mark, state) = match (f.excluded, f.foreground, f.status) {
        (true, ..) => ("\u{2013}", "left out by hand"),
        (_, true, "absent") => ("\u{25ad}", "foreground"),
        (_, _, "measured") => ("\u{25cf}", "measured"),
        (_, _, "inferred") => ("\u{25cb}", "placed by the sky"),
        _ => ("\u{2715}", "not found"),
    };
    let name = in_markup(&f.file);
    out.push_str("<article class=\"cell\">");
    match window {
        Some(window) => picture(out, f, window, &format!("{name}: {state}")),
        None => out.push_str("<p>Nothing of the frame can be shown.</p>"),
    }
    let mut lines = Vec::new();
    if let Some(utc) = &f.utc {
        lines.push(format!("{} UTC", utc.get(..19).unwrap_or(utc).replace('T', " ")));
    }
    lines.extend(exposure(f));
    if several_rigs {
        lines.push(format!("camera {}", f.rig + 1));
    }
    if let (Some(limb), Some(sigma)) = (f.limb, f.centre_sigma_px) {
        lines.push(format!("r {:.1} px, centre \u{b1} {sigma:.2} px", limb.r));
    }
    if let Some(fraction) = f.umbral_fraction.filter(|_| !f.foreground) {
        lines.push(format!("{:.0} % in the umbra by its time", 100.0 * fraction));
    }
    if f.odd_size {
        lines.push("its size disagrees with the others'".into());
    }
    if f.phase_contradicted {
        lines.push("shows another phase than its time has".into());
    }
    if f.status == "measured" {
        let lacks = f.lacks.map_or(String::new(), |l| format!(": {l}"));
        let passed = if f.usable || f.excluded { "" } else { "; passed over" };
        lines.push(format!("quality {:.2}{lacks}{passed}", f.quality));
    }
    if let Some(window) = window.filter(|w| w.lifted_stops >= 0.5) {
        lines.push(format!("shown {:.1} stops brighter", window.lifted_stops));
    }
    lines.extend(f.reason.clone());
    let lines: String = lines.iter().map(|l| format!("<p>{}</p>", in_markup(l))).collect();
    let _ = writeln!(out, "<h3>{name}</h3><p class=\"state\">{mark} {state}</p>{lines}</article>");
}

fn exposure(f: &FrameProof) -> Option<String> {
    let time = f.exposure_s.map(|s| if s < 0.3 { format!("1/{:.0} s", 1.0 / s) } else { format!("{s:.1} s") });
    let aperture = f.f_number.map(|n| format!("f/{n:.1}"));
    let iso = f.iso.map(|i| format!("ISO {i:.0}"));
    let parts: Vec<String> = [time, aperture, iso].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The window with what was found drawn over it, in the frame's own pixels.
fn picture(out: &mut String, f: &FrameProof, window: &Window, said: &str) {
    let ((x, y, w, h), (px, py, pw, ph)) = (window.wanted, window.shows);
    let line = w.max(h) / 160.0;
    let _ = write!(
        out,
        "<svg viewBox=\"{x:.1} {y:.1} {w:.1} {h:.1}\" role=\"img\" aria-label=\"{said}\" fill=\"none\" stroke=\"#fff\" stroke-width=\"{line:.2}\">\
         <image x=\"{px:.1}\" y=\"{py:.1}\" width=\"{pw:.1}\" height=\"{ph:.1}\" preserveAspectRatio=\"none\" href=\"data:image/jpeg;base64,{}\"/>",
        STANDARD.encode(&window.jpeg)
    );
    let mut ring = |c: Circle, dashes: &str| {
        // White on black: seen on a bright disc and on a dark sky, and on paper.
        for (colour, width) in [("#000", 2.2 * line), ("#fff", line)] {
            let _ = write!(
                out,
                "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{:.2}\" stroke=\"{colour}\" stroke-width=\"{width:.2}\" stroke-opacity=\"0.8\"{dashes}/>",
                c.x, c.y, c.r
            );
        }
    };
    let dashed = |on: f64, off: f64| format!(" stroke-dasharray=\"{:.2} {:.2}\"", on * line, off * line);
    f.penumbra.into_iter().for_each(|c| ring(c, &dashed(1.2, 4.0)));
    f.umbra.into_iter().for_each(|c| ring(c, &dashed(6.0, 4.0)));
    if let Some(limb) = f.limb {
        let dashes = if f.status == "inferred" { dashed(2.0, 2.0) } else { String::new() };
        ring(limb, &dashes);
        // One standard deviation of the centre, where the sheet can show it.
        if let Some(sigma) = f.centre_sigma_px.filter(|s| *s > line) {
            ring(Circle { r: sigma, ..limb }, "");
        }
        if let Some(north) = f.north_deg {
            let (from, to) = (1.04 * limb.r, 1.04 * limb.r + 14.0 * line);
            let _ = write!(
                out,
                "<g transform=\"translate({:.2} {:.2}) rotate({north:.2})\" stroke=\"#fff\" fill=\"#fff\">\
                 <path d=\"M0 {:.2}V{:.2}\"/><path d=\"M{:.2} {:.2}L0 {:.2}L{:.2} {:.2}z\" stroke=\"none\"/></g>",
                limb.x,
                limb.y,
                -from,
                -to,
                -2.5 * line,
                -to,
                -to - 6.0 * line,
                2.5 * line,
                -to
            );
        }
    }
    out.push_str("</svg>");
}

fn figures(out: &mut String, proof: &Proof) {
    let plots = plots::all(proof);
    if plots.is_empty() {
        return;
    }
    out.push_str(
        "<h2>The night in numbers</h2>\n<p class=\"small\">Over UTC. Dots: frames that pictures use; crosses: frames that they \
         pass over. Upright lines: the contacts.</p>\n<div class=\"plots\">\n",
    );
    for plot in plots {
        let _ = writeln!(
            out,
            "<figure><figcaption><strong>{}</strong><br>{}</figcaption>{}</figure>",
            plot.title, plot.caption, plot.svg
        );
    }
    out.push_str("</div>\n");
}

fn rigs(out: &mut String, proof: &Proof) {
    let rows: Vec<Vec<String>> = proof
        .rigs
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let frames = proof.frames.iter().filter(|f| f.rig == i).count();
            vec![
                format!("{}: {}", i + 1, r.name),
                frames.to_string(),
                r.arcsec_per_px.map_or("not solved".into(), |a| format!("{a:.3}\u{2033} a pixel")),
                r.clock.clone().unwrap_or_else(|| "the shadow tells no time".into()),
                match r.mirrored {
                    Some(true) => "mirrored",
                    Some(false) => "as the sky",
                    None => "not known",
                }
                .into(),
            ]
        })
        .collect();
    table(out, "Cameras", &["Camera", "Frames", "Plate scale", "Clock", "Handedness"], &rows);
}

fn remarks(out: &mut String, proof: &Proof) {
    let rows: Vec<Vec<String>> = proof
        .remarks
        .iter()
        .map(|r| vec![r.severity.to_owned(), r.message.clone(), r.help.clone().unwrap_or_default()])
        .collect();
    table(out, "What the program said", &["Kind", "Message", "What to do"], &rows);
}
