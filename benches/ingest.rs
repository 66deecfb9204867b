//! Opening 24-megapixel frames of each kind, for one disc's window and whole, beside reading their bytes:
//! `cargo bench --bench ingest`. Camera raw needs the program beside the bench: `cargo build --release` first.

mod timing;

use moonloom::ingest::{Reading, decode_brightness, open_frame};
use moonloom::raster::PixelRect;
use moonloom::write::{BitDepth, Container, OutputSpec, write_picture};
use timing::{HEIGHT, WIDTH, best, peak_memory_mb, picture, report};

fn main() {
    let light = picture();
    let folder = std::env::temp_dir().join(format!("moonloom-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("there is room");
    println!("{} threads, 24 megapixels", rayon::current_num_threads());
    let window = PixelRect { x0: 2600, y0: 1600, x1: 3400, y1: 2400 };
    for (name, container) in [
        ("frame.jpg", Container::Jpeg { quality: 90 }),
        ("frame.tif", Container::Tiff),
        ("frame.png", Container::Png),
        ("frame.dng", Container::Dng),
    ] {
        let path = folder.join(name);
        let spec = OutputSpec::new(container, BitDepth::Sixteen);
        write_picture(&path, &spec, (WIDTH, HEIGHT), &mut |rows| {
            light[rows.start * WIDTH * 3..rows.end * WIDTH * 3].to_vec()
        })
        .expect("it is written");
        let reading = Reading::default();
        let copy = best(|| drop(std::fs::read(&path).expect("it was written")));
        let open = || open_frame(&path, &reading).unwrap_or_else(|e| panic!("{e}"));
        report(&format!("{name}, a window of 800 x 800"), best(|| drop(open().light(window))), "bytes read in", copy);
        report(&format!("{name}, the whole frame"), best(|| drop(open().whole())), "bytes read in", copy);
        let brightness = || decode_brightness(&path, &reading).unwrap_or_else(|e| panic!("{e}"));
        report(&format!("{name}, brightness"), best(|| drop(brightness())), "bytes read in", copy);
    }
    println!("peak memory {:.0} MB, of which the picture 288", peak_memory_mb().unwrap_or(0.0));
    let _ = std::fs::remove_dir_all(&folder);
}
