//! Drawing a 24-megapixel grid of 24 discs, upright and turned, beside copying as many pixels:
//! `cargo bench --bench blend`.

mod timing;

use moonloom::blend::{DevelopedDisc, FramePixels, Renderer, develop, source_window};
use moonloom::composition::Placement;
use moonloom::ingest::read_night;
use moonloom::layout::{Layout, resolve};
use moonloom::solve::register;
use std::path::Path;
use std::sync::Arc;
use timing::{HEIGHT, WIDTH, best, peak_memory_mb, report};

struct Developed(Vec<Arc<DevelopedDisc>>);

impl FramePixels for Developed {
    fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>> {
        self.0.get(index).cloned()
    }
    fn gain(&self, _: usize) -> [f32; 3] {
        [1.0; 3]
    }
}

fn main() {
    println!("{} threads, 24 megapixels", rayon::current_num_threads());
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/tele");
    let night = read_night(&frames).expect("the sample frames").value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let source = vec![0.25f32; WIDTH * HEIGHT * 3];
    let copy = best(|| drop(std::hint::black_box(source.clone())));
    for (what, up) in [("24 discs as shot", "AsShot"), ("24 discs turned north up", "North")] {
        let text = format!(
            "(version: 1, canvas: (width_px: {WIDTH}, height_px: {HEIGHT}, margin_px: 0), \
             arrangement: PhaseGrid(columns: 6, rows: 4, up: {up}), selection: (count: 24))"
        );
        let layout = Layout::parse(Path::new("bench.ron"), &text).unwrap_or_else(|d| panic!("{d}"));
        let composition = resolve(&layout, &night, &registration).unwrap_or_else(|d| panic!("{d}")).value;
        let developed = |p: &Placement| {
            let frame = night.frame(&p.frame).expect("it was chosen");
            let open = frame.open().expect("it opens");
            Arc::new(develop(vec![open.light(source_window(p, p.map.source_centre))], 1, p, &composition))
        };
        let discs = Developed(composition.placements.iter().map(developed).collect());
        let renderer = Renderer::new(&composition, &discs, &[]);
        let seconds = best(|| {
            for y in (0..HEIGHT).step_by(256) {
                drop(renderer.rows(y..(y + 256).min(HEIGHT)));
            }
        });
        report(what, seconds, "pixels copied in", copy);
    }
    println!("peak memory {:.0} MB", peak_memory_mb().unwrap_or(0.0));
}
