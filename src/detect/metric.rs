//! Pixels and rectified pixels near one point of a frame: in the latter a disc is a circle even where a wide lens stretches it.

/// How pixel offsets become rectified ones, near one point of the frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Metric {
    forward: [[f64; 2]; 2],
    inverse: [[f64; 2]; 2],
}

impl Metric {
    pub fn new(forward: [[f64; 2]; 2]) -> Self {
        let [[a, b], [c, d]] = forward;
        let det = a * d - b * c;
        Metric { forward, inverse: [[d / det, -b / det], [-c / det, a / det]] }
    }
    /// Pixel offset of a rectified offset.
    pub fn to_pixels(self, x: f64, y: f64) -> (f64, f64) {
        let m = self.inverse;
        (m[0][0] * x + m[0][1] * y, m[1][0] * x + m[1][1] * y)
    }
    /// Rectified offset of a pixel offset.
    pub fn to_rectified(self, x: f64, y: f64) -> (f64, f64) {
        let m = self.forward;
        (m[0][0] * x + m[0][1] * y, m[1][0] * x + m[1][1] * y)
    }
    /// Most pixels per rectified pixel in any direction: the larger singular value, or one.
    pub fn largest_stretch(self) -> f64 {
        let [[a, b], [c, d]] = self.inverse;
        let (squares, determinant) = (a * a + b * b + c * c + d * d, a * d - b * c);
        let rest = (squares * squares - 4.0 * determinant * determinant).max(0.0).sqrt();
        ((squares + rest) / 2.0).sqrt().max(1.0)
    }
    /// Mean pixels per rectified pixel.
    pub fn stretch(self) -> f64 {
        let [[a, b], [c, d]] = self.forward;
        1.0 / (a * d - b * c).abs().sqrt()
    }
}
