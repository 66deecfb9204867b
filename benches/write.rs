//! Writing 24 megapixels in each kind of file, beside a plain copy of the same bytes: `cargo bench --bench write`.

mod timing;

use moonloom::write::{BitDepth, Container, OutputSpec, write_picture};
use timing::{HEIGHT, WIDTH, best, peak_memory_mb, picture, plain_copy, report};

fn main() {
    let light = picture();
    let folder = std::env::temp_dir().join(format!("moonloom-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("there is room");
    println!("{} threads, 24 megapixels", rayon::current_num_threads());
    for (name, depth) in [
        ("sixteen.tif", BitDepth::Sixteen),
        ("float.tif", BitDepth::Float),
        ("sixteen.png", BitDepth::Sixteen),
        ("half.exr", BitDepth::Half),
        ("eight.jpg", BitDepth::Eight),
    ] {
        let path = folder.join(name);
        let spec = OutputSpec::new(Container::for_path(&path).expect("a known ending"), depth);
        let seconds = best(|| {
            write_picture(&path, &spec, (WIDTH, HEIGHT), &mut |rows| {
                light[rows.start * WIDTH * 3..rows.end * WIDTH * 3].to_vec()
            })
            .expect("it is written");
        });
        report(name, seconds, "plain copy", plain_copy(&path));
    }
    println!("peak memory {:.0} MB, of which the picture 288", peak_memory_mb().unwrap_or(0.0));
    let _ = std::fs::remove_dir_all(&folder);
}
