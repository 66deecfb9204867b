//! Discs in one image, of which nothing is known but its pixels: from a buffer in memory, whoever decoded it.
//!
//! `cargo run --release --example disc_of_one_image -- sample-frames/tele/t0012.jpg`

use moonloom::detect::{BELIEVED, find_in_picture};
use moonloom::raster::CodedPlane;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).unwrap_or_else(|| "sample-frames/tele/t0012.jpg".into());
    let image = image::open(path)?.into_rgb8();
    let (width, height) = (image.width() as usize, image.height() as usize);
    let plane = CodedPlane::from_rgb8(width, height, image.as_raw()).ok_or("the buffer does not fit the size")?;
    for disc in find_in_picture(&plane) {
        let believed = if disc.confidence() >= BELIEVED { "a disc" } else { "hardly a disc" };
        println!(
            "{believed} of radius {:.2} ± {:.2} px at ({:.2}, {:.2}) ± {:.2} px: confidence {:.2}, {:.0}° of its limb",
            disc.radius_px,
            disc.radius_sigma_px,
            disc.centre.x,
            disc.centre.y,
            disc.centre_sigma_px,
            disc.confidence(),
            disc.arc_deg
        );
    }
    Ok(())
}
