pub use crate::solve::ClockSource;
#[cfg(feature = "picture")]
pub use crate::compose::ComposeRequest;
#[cfg(feature = "picture")]
pub use crate::composition::Composition;
pub use crate::diag::Diagnostic;
#[cfg(feature = "picture")]
pub use crate::layout::Layout;
#[derive(Clone, Debug, Default)]
pub struct Night {
    pub folder: PathBuf,
    pub notes: Option<ShootNotes>,
    pub frames: Vec<Frame>,
    pub rigs: Vec<Rig>,
    pub set_aside: Vec<PathBuf>,
    pub site: Option<Site>,
    pub sidecars: Vec<PathBuf>,
}
impl Night {
    pub fn observer(&self) -> Option<Observer> {}
    pub fn mount(&self) -> Mount {}
    pub fn join(&mut self, other: Night) -> Vec<(String, String)> {}
    pub fn frame(&self, name: &str) -> Option<&Frame> {}
}
#[cfg(feature = "picture")]
pub use crate::compose::PictureRequest;
pub use crate::registration::Registration;
pub use crate::diag::Warned;
#[cfg(feature = "picture")]
pub use crate::compose::compose;
pub fn read_night(folder: &Path) -> Result<Warned<Night>, NightError> {}
pub use crate::solve::register;
#[cfg(feature = "picture")]
pub use crate::compose::render;
#[cfg(feature = "picture")]
pub mod blend {
    #[derive(Clone, Copy, Debug)]
    pub struct Borne {
        pub measure: DiscMeasure,
        pub most_lift: f32,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Clipped {
        pub from: f32,
        pub weight: f32,
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct DevelopedDisc {
        pub image: LinearImage,
        pub block_px: usize,
        pub origin: PixelPoint,
        pub photographed: Photographed,
        pub measure: DiscMeasure,
    }
    impl DevelopedDisc {
        #[must_use]
        pub fn on_paper(self, gain: [f32; 3], clipped: Option<Clipped>) -> Self {}
        #[must_use]
        pub fn trimmed(self, p: &Placement, margin_px: f64) -> Self {}
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq)]
    pub struct DiscMeasure {
        pub bright: [f32; 3],
        pub mean: [f32; 3],
        pub saturated_share: f32,
        pub saturated_from: f32,
        pub step: Step,
    }
    pub trait FramePixels: Sync {
        fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>>;
        fn gain(&self, index: usize) -> [f32; 3];
        fn backplate(
            &self,
            _index: usize,
            _rect: PixelRect,
        ) -> Option<(LinearImage, PixelRect)> {}
        fn sky_behind(&self, _index: usize) -> Option<[f32; 3]> {}
        fn shows(&self, _index: usize, _rect: PixelRect) -> Option<(Plane, PixelRect)> {}
    }
    pub struct Normalised {
        pub gains: Vec<[f32; 3]>,
        pub lifts: Vec<Option<Lift>>,
        pub clipped: Vec<Option<Clipped>>,
        pub diagnostics: Vec<Diagnostic>,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Photographed {
        pub left: f64,
        pub top: f64,
        pub right: f64,
        pub bottom: f64,
    }
    /// and what is private
    pub struct Renderer<'a> {}
    impl<'a> Renderer<'a> {
        pub fn new(
            composition: &'a Composition,
            frames: &'a dyn FramePixels,
            stamps: &'a [Stamp],
        ) -> Self {}
        pub fn rows(&self, rows: Range<usize>) -> Vec<f32> {}
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq)]
    pub struct Step {
        pub below: f32,
        pub above: f32,
    }
    pub fn develop(
        cut_outs: Vec<CutOut>,
        block_px: usize,
        p: &Placement,
        composition: &Composition,
    ) -> DevelopedDisc {}
    pub fn disc_rows(p: &Placement, height: usize) -> Range<usize> {}
    pub fn most_lift(disc: &DevelopedDisc, p: &Placement) -> f32 {}
    pub fn normalise(
        composition: &Composition,
        measures: &[Option<Borne>],
    ) -> Normalised {}
    pub fn source_window(p: &Placement, centre: PixelPoint) -> PixelRect {}
}
pub mod camera {
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Aim {
        pub azimuth: Angle,
        pub altitude: Angle,
        pub roll: Angle,
    }
    impl Aim {
        pub fn through(self, lens: Lens) -> CameraPointing {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Camera {
        pub width_px: usize,
        pub height_px: usize,
        pub pixel_pitch_um: f64,
        pub focal_length_mm: f64,
        pub k1: f64,
    }
    impl Camera {
        pub fn focal_px(&self) -> f64 {}
        pub fn lens(&self) -> Lens {}
        pub fn field(&self) -> (Angle, Angle) {}
        pub fn short_side_px(&self) -> usize {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct ExposureStep {
        pub from_umbral_fraction: f64,
        pub seconds: f64,
        pub f_number: f64,
        pub iso: f64,
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct Firing {
        pub every_minutes: f64,
        pub lead_minutes: f64,
        pub tail_minutes: f64,
        pub also_at: Vec<String>,
        pub bracket_stops: Vec<f64>,
    }
    impl Firing {
        pub fn instants(&self, eclipse: &LunarEclipse) -> Vec<Instant> {}
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct ForegroundFrame {
        pub utc: String,
        pub seconds: f64,
        pub f_number: f64,
        pub iso: f64,
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
    pub enum Mount {
        Unknown,
        FixedTripod,
        ReaimedTripod,
        Tracking,
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct Setup {
        pub name: String,
        pub camera: Camera,
        pub mount: Mount,
        pub aim: Option<Aim>,
        pub f_number: f64,
        pub iso: f64,
        pub exposures: Vec<ExposureStep>,
        pub firing: Option<Firing>,
        pub foreground: Vec<ForegroundFrame>,
    }
    impl Setup {
        pub fn exposure(&self, umbral_fraction: f64) -> Option<Exposure> {}
        pub fn bracket_stops(&self) -> &[f64] {}
    }
    pub fn reached_exposure(
        ladder: &[ExposureStep],
        umbral_fraction: f64,
    ) -> Option<Exposure> {}
}
#[cfg(feature = "picture")]
pub mod compose {
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum ComposeError {
        Layout(Box<Diagnostic>),
        TargetIsFrame { path: PathBuf },
        TargetIsPhotograph { path: PathBuf },
        PreviewName { path: PathBuf },
        MaskSize { path: PathBuf, mask: (usize, usize), frame: (usize, usize) },
        Rows { path: PathBuf, why: String },
        NoDisc,
        Decode(DecodeError),
        Font(FontError),
        Write(WriteError),
    }
    pub struct ComposeRequest<'a> {
        pub picture: PictureRequest<'a>,
        pub out: &'a Path,
        pub preview: Option<&'a Path>,
    }
    /// and what is private
    pub struct Film {
        pub width: usize,
        pub height: usize,
        pub pictures: Vec<FilmPicture>,
        pub record: PictureRecord,
    }
    impl Film {
        pub fn steps_s(&self) -> Vec<f64> {}
        pub fn draw<E: Into<ComposeError>>(
            &mut self,
            request: &PictureRequest<'_>,
            take: impl FnMut(usize, Vec<f32>) -> Result<(), E>,
        ) -> Result<Vec<Diagnostic>, ComposeError> {}
    }
    #[derive(Clone, Debug, serde::Serialize)]
    pub struct FilmPicture {
        pub frame: String,
        pub utc: String,
        pub centre_px: (f64, f64),
        pub radius_px: f64,
        pub lift: Option<Lift>,
    }
    pub struct Kept {
        pub registration: Registration,
        pub reused: bool,
        pub diagnostics: Vec<Diagnostic>,
    }
    #[derive(Clone, Copy)]
    pub struct PictureRequest<'a> {
        pub layout: &'a Layout,
        pub night: &'a Night,
        pub registration: &'a Registration,
        pub cache: Option<&'a Path>,
        pub longest_side: Option<usize>,
    }
    impl<'a> PictureRequest<'a> {
        pub fn new(
            layout: &'a Layout,
            night: &'a Night,
            registration: &'a Registration,
        ) -> Self {}
    }
    pub struct RenderedPicture {
        pub light: LinearImage,
        pub composition: Composition,
        pub diagnostics: Vec<Diagnostic>,
    }
    pub fn check_targets(
        night: &Night,
        out: &Path,
        preview: Option<&Path>,
    ) -> Result<(), ComposeError> {}
    pub fn compose(
        request: &ComposeRequest<'_>,
    ) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {}
    pub fn compose_from_rows(
        request: &ComposeRequest<'_>,
        composition: &Composition,
        parts: &[PathBuf],
    ) -> Result<(), ComposeError> {}
    pub fn compose_planned(
        request: &ComposeRequest<'_>,
        composition: Composition,
    ) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {}
    pub fn compose_rows(
        request: &PictureRequest<'_>,
        composition: Composition,
        rows: Range<usize>,
        out: &Path,
    ) -> Result<Vec<Diagnostic>, ComposeError> {}
    pub fn frames_digest(night: &Night, of: impl Fn(&str) -> bool) -> String {}
    pub fn keep_registration(
        night: &Night,
        registration: &Registration,
        digest: &str,
        cache: &Path,
    ) -> Result<(), String> {}
    pub fn output_spec(path: &Path, wanted: Output) -> Result<OutputSpec, WriteError> {}
    pub fn plan_film(
        request: &PictureRequest<'_>,
    ) -> Result<Warned<Film>, ComposeError> {}
    pub fn plan_picture(
        layout: &Layout,
        night: &Night,
        registration: &Registration,
        longest_side: Option<usize>,
    ) -> Result<Warned<Composition>, ComposeError> {}
    pub fn protect<'a>(
        sources: impl Iterator<Item = &'a Path> + Clone,
        targets: impl Iterator<Item = &'a Path>,
    ) -> Result<(), ComposeError> {}
    pub fn protect_inputs<'a>(
        night: &Night,
        targets: impl Iterator<Item = &'a Path>,
    ) -> Result<(), ComposeError> {}
    pub fn registration_of(
        night: &Night,
        cache: Option<&Path>,
        progress: &(dyn Fn(&str) + Sync),
    ) -> Kept {}
    pub fn render(
        request: &PictureRequest<'_>,
    ) -> Result<RenderedPicture, ComposeError> {}
    pub fn same_file(a: &Path, b: &Path) -> bool {}
}
#[cfg(feature = "picture")]
pub mod composition {
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub enum AirTreatment {
        Kept,
        Fitted,
        Removed([f64; 3]),
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct BackplatePlacement {
        pub frame: String,
        pub scale: f64,
        pub corner_px: (f64, f64),
        pub size_px: (f64, f64),
        pub gain: f32,
        pub foreground: ForegroundPlacement,
        pub own_moon: Option<OwnMoon>,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct Beside {
        pub x_px: f64,
        pub y_px: f64,
        pub radius_px: f64,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
    pub enum BlendMode {
        Normal,
        Multiply,
        Screen,
        Overlay,
        Darken,
        Lighten,
        ColorDodge,
        ColorBurn,
        HardLight,
        SoftLight,
        Difference,
        Exclusion,
        PlusLighter,
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct Companion {
        pub frame: String,
        pub centre_px: (f64, f64),
        pub light_ratio: f64,
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct Composition {
        pub schema: &'static str,
        pub width: usize,
        pub height: usize,
        pub dots_per_inch: f64,
        pub background: [f32; 3],
        pub backplates: Vec<BackplatePlacement>,
        pub placements: Vec<Placement>,
        pub development: Development,
        pub tone: ToneCurve,
        pub marks: Vec<Mark>,
        pub texts: Vec<TextRequest>,
        pub title: Option<String>,
        pub description: String,
    }
    impl Composition {
        pub fn append_below(&mut self, below: Composition) {}
        pub fn scaled(self, factor: f64) -> Self {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct Development {
        pub moon_colour: Option<[f64; 3]>,
        pub air: AirTreatment,
        pub shadow_lift: f32,
        pub sharpening: Sharpening,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct DiscSky {
        pub airmass: f64,
        pub penumbral_fraction: f64,
        pub expected: [f64; 3],
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub enum ForegroundPlacement {
        Nothing,
        Mask(std::path::PathBuf),
        DarkerThanSky(f32),
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub enum Gain {
        Factor(f32),
        ToLevel(f32),
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct Lift {
        pub stops: f64,
        pub asked_stops: f64,
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub enum Mark {
        Circle {
            x_px: f64,
            y_px: f64,
            radius_px: f64,
            line_px: f64,
            ink: [f32; 3],
            opacity: f32,
        },
        Line { points_px: Vec<(f64, f64)>, line_px: f64, ink: [f32; 3], opacity: f32 },
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct OwnMoon {
        pub centre_px: (f64, f64),
        pub reach_px: f64,
        pub from: String,
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct Placement {
        pub frame: String,
        pub simulated: bool,
        pub group: usize,
        pub behind_foreground: Option<usize>,
        pub also: Vec<Companion>,
        pub rig: Option<usize>,
        pub quality: Option<f64>,
        pub lacks: Option<&'static str>,
        pub utc: String,
        pub map: LinearMap,
        pub to_disc: Matrix2,
        pub radius_px: f64,
        pub source_radius_px: f64,
        pub turn_rad: f64,
        pub edge_width_px: Option<f64>,
        pub light_gain: Option<f64>,
        pub gain: Gain,
        pub nudge: [f32; 3],
        pub lift: Option<Lift>,
        pub sky: Option<DiscSky>,
        pub shadow: Option<ShadowOnDisc>,
        pub feather_px: f64,
        pub subtract_sky: bool,
        pub blend: BlendMode,
    }
    impl Placement {
        pub fn centre(&self) -> PixelPoint {}
    }
    impl Placement {
        pub fn block_px(&self) -> usize {}
        pub fn in_blocks(&self, block_px: usize) -> Placement {}
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct ShadowOnDisc {
        pub axis_px: (f64, f64),
        pub penumbra_px: f64,
        pub radius_px: f64,
        pub grades: Vec<Vec<f32>>,
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
    #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
    pub enum Sharpening {
        Off,
        Deconvolution { rounds: usize },
        Unsharp { radius_px: f64, amount: f64 },
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
    pub enum TextAnchor {
        BelowCentre,
        RightMiddle,
        BelowLeft,
        BelowRight,
        LeftMiddle,
        AboveCentre,
    }
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct TextRequest {
        pub text: String,
        pub x_px: f64,
        pub y_px: f64,
        pub anchor: TextAnchor,
        pub size_px: f64,
        pub ink: [f32; 3],
        pub opacity: f32,
        pub beside: Option<Beside>,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct ToneCurve {
        pub exponent: f32,
        pub white: f32,
    }
}
pub mod detect {
    pub const BELIEVED: f64 = _;
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct DiscFit {
        pub centre: PixelPoint,
        pub radius_px: f64,
        pub rectified_radius_px: f64,
        pub centre_sigma_px: f64,
        pub radius_sigma_px: f64,
        pub arc_deg: f64,
        pub residual_px: f64,
        pub edge_width_px: f64,
        pub saturated_share: f64,
        pub disc_level: f32,
        pub mean_level: f32,
        pub sky_level: f32,
        pub contrast: f64,
        pub agreeing: f64,
        pub open_share: f64,
    }
    impl DiscFit {
        pub fn confidence(&self) -> f64 {}
    }
    pub fn find_in_picture(picture: &CodedPlane) -> Vec<DiscFit> {}
}
pub mod diag {
    #[derive(Clone, Debug, PartialEq, Eq)]
    pub struct Diagnostic {
        pub severity: Severity,
        pub code: &'static str,
        pub message: String,
        pub span: Option<Box<Span>>,
        pub help: Option<String>,
    }
    impl Diagnostic {
        pub fn new(
            severity: Severity,
            code: &'static str,
            message: impl Into<String>,
        ) -> Self {}
        pub fn warning(code: &'static str, message: impl Into<String>) -> Self {}
        pub fn note(code: &'static str, message: impl Into<String>) -> Self {}
        pub fn error(code: &'static str, message: impl Into<String>) -> Self {}
        #[must_use]
        pub fn with_help(self, help: impl Into<String>) -> Self {}
        #[must_use]
        pub fn with_span(self, span: Span) -> Self {}
    }
    impl std::error::Error for Diagnostic {}
    impl fmt::Display for Diagnostic {}
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
    pub enum Severity {
        Note,
        Warning,
        Error,
    }
    impl Severity {
        pub fn word(self) -> &'static str {}
    }
    impl fmt::Display for Severity {}
    #[derive(Clone, Debug, PartialEq, Eq)]
    pub struct Span {
        pub path: PathBuf,
        pub line: usize,
        pub column: usize,
        pub width: usize,
        pub source_line: String,
    }
    impl Span {
        pub fn at(
            path: &Path,
            text: &str,
            line: usize,
            column: usize,
            width: usize,
        ) -> Self {}
        pub fn of_field(path: &Path, text: &str, names: &[&str]) -> Option<Box<Self>> {}
    }
    #[derive(Clone, Debug)]
    pub struct Warned<T> {
        pub value: T,
        pub diagnostics: Vec<Diagnostic>,
    }
    pub fn read_ron<T: DeserializeOwned>(
        path: &Path,
        text: &str,
    ) -> Result<T, Diagnostic> {}
    pub fn set_value(text: &str, way: &[&str], value: &str) -> Option<String> {}
    pub fn write_ron<T: serde::Serialize>(value: &T) -> Result<String, Diagnostic> {}
}
pub mod files {
    pub fn read_text(path: &Path) -> Result<String> {}
}
pub mod ingest {
    #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Calibration {
        pub dark: Vec<String>,
        pub bias: Vec<String>,
        pub flat: Vec<String>,
        pub repair_hot_pixels: Option<bool>,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct CaptureTime {
        pub middle: Instant,
        pub zone_known: bool,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Channel {
        Brightness,
        Red,
        Copper,
    }
    #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Clock {
        pub utc_offset: Option<String>,
        pub ahead_s: f64,
        pub label_offset: Option<String>,
    }
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum DecodeError {
        Io { path: PathBuf, source: std::io::Error },
        Damaged { path: PathBuf, message: String },
    }
    #[derive(Clone)]
    pub struct Frame {
        pub path: PathBuf,
        pub bytes: Option<Arc<[u8]>>,
        pub name: String,
        pub metadata: FrameMetadata,
        pub time: Option<CaptureTime>,
        pub rig: usize,
        pub foreground: bool,
        pub reading: Arc<Reading>,
    }
    impl Frame {
        pub fn open(&self) -> Result<OpenFrame, DecodeError> {}
        pub fn open_as(&self, reading: &Reading) -> Result<OpenFrame, DecodeError> {}
        pub fn channel(&self, channel: Channel) -> Result<MeasuringPlane, DecodeError> {}
        pub fn fingerprint(&self) -> Option<String> {}
    }
    impl fmt::Debug for Frame {}
    #[derive(Clone)]
    pub struct FrameInMemory {
        pub name: String,
        pub bytes: Arc<[u8]>,
    }
    #[derive(Clone, Debug, Default, PartialEq)]
    pub struct FrameMetadata {
        pub width: usize,
        pub height: usize,
        pub exposure: Option<Exposure>,
        pub exposure_time_s: Option<f64>,
        pub f_number: Option<f64>,
        pub iso: Option<f64>,
        pub focal_length_mm: Option<f64>,
        pub equivalent_focal_length_mm: Option<f64>,
        pub digital_zoom: Option<f64>,
        pub pixel_pitch_um: Option<f64>,
        pub camera_model: Option<String>,
        pub clock_reading_s: Option<f64>,
        pub clock_offset_s: Option<i64>,
        pub clock_is_utc: bool,
        pub place: Option<Site>,
    }
    impl FrameMetadata {
        pub fn times_the_light_of(&self, other: &FrameMetadata) -> Option<f64> {}
        pub fn capture_time(&self, notes: Option<&ShootNotes>) -> Option<CaptureTime> {}
    }
    #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Ignored {
        pub border_px: u32,
        pub rectangles: Vec<IgnoredRectangle>,
    }
    impl Ignored {
        pub fn is_empty(&self) -> bool {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    pub struct IgnoredRectangle {
        pub left_px: u32,
        pub top_px: u32,
        pub width_px: u32,
        pub height_px: u32,
    }
    pub struct MeasuringPlane {
        pub plane: CodedPlane,
        pub told: Option<PixelRect>,
    }
    #[derive(Clone, Debug, Default)]
    pub struct Night {
        pub folder: PathBuf,
        pub notes: Option<ShootNotes>,
        pub frames: Vec<Frame>,
        pub rigs: Vec<Rig>,
        pub set_aside: Vec<PathBuf>,
        pub site: Option<Site>,
        pub sidecars: Vec<PathBuf>,
    }
    impl Night {
        pub fn observer(&self) -> Option<Observer> {}
        pub fn mount(&self) -> Mount {}
        pub fn join(&mut self, other: Night) -> Vec<(String, String)> {}
        pub fn frame(&self, name: &str) -> Option<&Frame> {}
    }
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum NightError {
        Io { path: PathBuf, source: std::io::Error },
        Empty { path: PathBuf },
        NoneReadable { path: PathBuf, count: usize, first: String },
        SeveralFolders { path: PathBuf, folder: PathBuf },
        Notes(Box<Diagnostic>),
    }
    /// and what is private
    pub struct OpenFrame {
        pub remark: Option<String>,
    }
    impl OpenFrame {
        pub fn whole_or_none(self, path: &Path) -> Result<Self, DecodeError> {}
        pub fn size(&self) -> (usize, usize) {}
        pub fn light(&self, rect: PixelRect) -> CutOut {}
        pub fn light_in_blocks(&self, rect: PixelRect, block_px: usize) -> CutOut {}
        pub fn whole(&self) -> LinearImage {}
        pub fn brightness(&self) -> Plane {}
        pub fn photographed(&self) -> PixelRect {}
        pub fn photographed_around(
            &self,
            window: PixelRect,
            centre: PixelPoint,
            radius_px: f64,
        ) -> PixelRect {}
        pub fn file_values(&self, rect: PixelRect) -> Option<LinearImage> {}
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Optics {
        pub focal_length_mm: Option<f64>,
        pub sensor_width_mm: Option<f64>,
        pub pixel_pitch_um: Option<f64>,
    }
    pub const STEPS: usize = _;
    #[derive(Clone, Debug, Default)]
    pub struct Reading {
        pub transfer: Option<TransferFunction>,
        pub response: Option<Arc<[Vec<f32>; 3]>>,
        pub masters: Option<Arc<Masters>>,
        pub exposure_s: Option<f64>,
        pub repair_hot_pixels: Option<bool>,
        pub ignored: Ignored,
        pub is_drawing: bool,
    }
    impl From<TransferFunction> for Reading {}
    #[derive(Clone, Debug, PartialEq)]
    pub struct Rig {
        pub width: usize,
        pub height: usize,
        pub focal_length_mm: Option<f64>,
        pub equivalent_focal_length_mm: Option<f64>,
        pub camera_model: Option<String>,
        pub focal_length_px: Option<f64>,
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct ShootNotes {
        pub version: u32,
        pub title: Option<String>,
        pub site: Option<Site>,
        pub clock: Clock,
        pub optics: Optics,
        pub mount: Mount,
        pub linear_values: bool,
        pub foreground: Vec<String>,
        pub response: Option<String>,
        pub calibration: Calibration,
        pub ignore: Ignored,
    }
    impl ShootNotes {
        pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {}
        pub fn clock_offset_s(&self) -> Option<i64> {}
        pub fn label_offset_s(&self) -> Option<i64> {}
        pub fn transfer(&self) -> Option<TransferFunction> {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct Site {
        pub latitude_deg: f64,
        pub longitude_deg: f64,
        pub elevation_m: f64,
    }
    impl Site {
        pub fn observer(&self) -> Result<Observer, crate::sky::SiteError> {}
    }
    #[cfg(feature = "raw")]
    pub fn answer_as_raw_reader() -> Option<ExitCode> {}
    pub fn decode(path: &Path, reading: &Reading) -> Result<LinearImage, DecodeError> {}
    pub fn decode_brightness(
        path: &Path,
        reading: &Reading,
    ) -> Result<CodedPlane, DecodeError> {}
    pub fn decode_channel(
        path: &Path,
        reading: &Reading,
        channel: Channel,
    ) -> Result<MeasuringPlane, DecodeError> {}
    pub fn fingerprint(path: &Path) -> Option<String> {}
    pub fn is_own_picture(path: &Path) -> bool {}
    pub fn night_in_memory(
        frames: Vec<FrameInMemory>,
        notes: Option<ShootNotes>,
    ) -> Result<Warned<Night>, NightError> {}
    pub fn open_frame(path: &Path, reading: &Reading) -> Result<OpenFrame, DecodeError> {}
    pub fn open_frame_in_memory(
        name: &str,
        bytes: &[u8],
        reading: &Reading,
    ) -> Result<OpenFrame, DecodeError> {}
    pub fn parse_response(
        path: &Path,
        text: &str,
    ) -> Result<[Vec<f32>; 3], Box<Diagnostic>> {}
    pub fn read_frames(paths: Vec<PathBuf>) -> Result<Warned<Night>, NightError> {}
    pub fn read_metadata(path: &Path) -> Result<FrameMetadata, String> {}
    pub fn read_night(folder: &Path) -> Result<Warned<Night>, NightError> {}
    pub fn response_text(response: &[Vec<f32>; 3]) -> String {}
    #[cfg(feature = "raw")]
    pub fn set_raw_reader(program: &Path) {}
}
#[cfg(feature = "picture")]
pub mod labels {
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum FontError {
        Embedded,
        File { path: PathBuf, why: String },
    }
    pub enum Typeface {
        Embedded(Box<FontRef<'static>>),
        Own(FontVec),
    }
    impl Typeface {
        pub fn open(file: Option<&Path>) -> Result<Self, FontError> {}
        pub fn stamps(&self, requests: &[TextRequest]) -> Vec<Stamp> {}
        pub fn extent(&self, request: &TextRequest) -> PixelRect {}
        pub fn missing_letters(&self, requests: &[TextRequest]) -> String {}
    }
    pub fn font() -> Result<FontRef<'static>, FontError> {}
    pub fn lay_out(
        composition: &mut Composition,
        typeface: &Typeface,
    ) -> Vec<Diagnostic> {}
}
#[cfg(feature = "picture")]
pub mod layout {
    #[derive(Clone, Debug)]
    pub struct Layout {
        pub file: LayoutFile,
        pub path: std::path::PathBuf,
        pub text: String,
    }
    impl Layout {
        pub fn parse(path: &FilePath, text: &str) -> Result<Self, Diagnostic> {}
        pub fn examine(path: &FilePath, text: &str) -> (Option<Self>, Vec<Diagnostic>) {}
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
    pub struct LayoutFile {
        pub version: u32,
        pub title: Option<String>,
        pub subtitle: Option<String>,
        pub caption: Option<String>,
        pub credit: Option<String>,
        pub font: Option<String>,
        pub canvas: Canvas,
        pub arrangement: Arrangement,
        pub selection: Selection,
        pub light: Light,
        pub labels: Option<Labels>,
        pub marks: Marks,
        pub output: Output,
    }
    pub fn beside(layout: &Layout) -> Result<(), Diagnostic> {}
    pub fn first_words(text: &str) -> String {}
    pub fn forecheck(layout: &Layout, night: &Night) -> Result<(), Diagnostic> {}
    #[cfg(feature = "schema")]
    pub fn reference_text() -> String {}
    pub fn resolve(
        layout: &Layout,
        night: &Night,
        registration: &Registration,
    ) -> Result<Warned<Composition>, Diagnostic> {}
    pub fn resolve_each(
        layout: &Layout,
        night: &Night,
        registration: &Registration,
    ) -> Result<Warned<Vec<Composition>>, Diagnostic> {}
    #[cfg(feature = "schema")]
    pub fn schema() -> Value {}
    pub fn stock() -> impl Iterator<Item = (&'static str, &'static str)> {}
}
pub mod memory {
    pub const LEAST: u64 = _;
    pub fn limit() -> u64 {}
    pub fn set_limit(bytes: u64) {}
}
#[cfg(feature = "page")]
pub mod page {
    #[derive(Clone, Debug)]
    pub struct PageRequest {
        pub folder: PathBuf,
        pub layout: Option<PathBuf>,
        pub port: u16,
        pub cache: Option<PathBuf>,
    }
    pub fn serve(
        request: &PageRequest,
        ready: impl FnOnce(&str),
    ) -> std::io::Result<()> {}
}
#[cfg(feature = "picture")]
pub mod plan {
    pub const PRODUCT: &str = _;
    pub const CAUTIONS: [&str; 5] = _;
    pub const CHECKLIST: [&str; 9] = _;
    #[derive(Clone, Debug, Default, Serialize)]
    pub struct Contacts {
        pub p1: Option<String>,
        pub u1: Option<String>,
        pub u2: Option<String>,
        pub greatest: Option<String>,
        pub u3: Option<String>,
        pub u4: Option<String>,
        pub p4: Option<String>,
    }
    #[derive(Clone, Debug)]
    /// and what is private
    pub struct Drawing {}
    impl Drawing {
        pub fn to_svg(&self) -> String {}
        pub fn to_pixels(&self) -> (usize, usize, Vec<u8>) {}
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct EclipseSummary {
        pub kind: String,
        pub umbral_magnitude: f64,
        pub penumbral_magnitude: f64,
        pub gamma: f64,
        pub saros: i64,
        pub contacts: Contacts,
        pub visibility: Option<Visibility>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct ExposureAdvice {
        pub phase: String,
        pub utc: String,
        pub f_number: f64,
        pub iso: f64,
        pub in_file_s: Option<f64>,
        pub lit_s: Option<f64>,
        pub umbra_s: Option<[f64; 3]>,
        pub bracket_s: Vec<f64>,
        pub longest_s: Option<f64>,
        pub conflict: Option<String>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Framing {
        pub track_fits: bool,
        pub aim_deg: (f64, f64, f64),
        pub room_px: f64,
        pub one_aim: Option<OneAim>,
        pub room_in_file_px: Option<f64>,
        pub reaim_minutes: Option<f64>,
        pub leaves_frame: Option<String>,
        pub hidden_from: Option<String>,
        pub hidden_until: Option<String>,
    }
    #[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
    pub struct HorizonFault {
        pub line: u64,
        pub text: String,
    }
    #[derive(Clone, Debug, Default)]
    pub struct HorizonProfile {
        pub points: Vec<(f64, f64)>,
    }
    impl HorizonProfile {
        pub fn parse(text: &str) -> Result<Self, HorizonFault> {}
        pub fn altitude_deg(&self, azimuth_deg: f64) -> f64 {}
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Interval {
        pub touching_s: f64,
        pub even_s: f64,
        pub in_file_s: Option<f64>,
        pub frames: usize,
        pub card_gb: f64,
        pub battery_hours: f64,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct OneAim {
        pub from: String,
        pub until: String,
        pub minutes: f64,
        pub aim_deg: (f64, f64, f64),
    }
    pub struct PlanRequest<'a> {
        pub observer: Observer,
        pub zone: TimeZone,
        pub eclipse: &'a LunarEclipse,
        pub rigs: &'a [Setup],
        pub trail_px: f64,
        pub horizon: HorizonProfile,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Recommendation {
        pub begin: String,
        pub stop: String,
        pub for_the_track: Option<String>,
        pub for_the_disc: Option<String>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct RigPlan {
        pub name: String,
        pub plate_scale_arcsec: f64,
        pub field_deg: (f64, f64),
        pub moon_diameter_px: f64,
        pub moon_share_of_short_side: f64,
        pub close_focal_lengths_mm: (f64, f64),
        pub exposures: Vec<ExposureAdvice>,
        pub interval: Interval,
        pub framing: Framing,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct ScheduledFrame {
        pub rig: String,
        pub utc: String,
        pub local: String,
        pub phase: &'static str,
        pub umbral_fraction: f64,
        pub shutter_s: Vec<f64>,
        pub f_number: f64,
        pub iso: f64,
        pub lacking_stops: f64,
        pub altitude_deg: f64,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct ShootingPlan {
        pub schema: &'static str,
        pub eclipse: EclipseSummary,
        pub zone: String,
        pub timetable: Vec<TimetableRow>,
        pub rigs: Vec<RigPlan>,
        pub recommendation: Option<Recommendation>,
        pub cautions: Vec<&'static str>,
        pub checklist: Vec<&'static str>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct TimetableRow {
        pub contact: Option<String>,
        pub utc: String,
        pub local: String,
        pub altitude_deg: f64,
        pub azimuth_deg: f64,
        pub sun_altitude_deg: f64,
        pub twilight: &'static str,
        pub umbral_fraction: f64,
        pub penumbral_fraction: f64,
        pub stops_below_full: f64,
        pub stops_spread: (f64, f64),
        pub surface_magnitude: f64,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Visibility {
        pub penumbral: f64,
        pub partial: Option<f64>,
        pub total: Option<f64>,
        pub altitude_at_greatest_deg: f64,
        pub azimuth_at_greatest_deg: f64,
    }
    pub fn best_first(eclipses: Vec<EclipseSummary>) -> Vec<EclipseSummary> {}
    pub fn calendar(
        request: &PlanRequest<'_>,
        plan: &ShootingPlan,
        written: Instant,
    ) -> Option<String> {}
    pub fn draw(request: &PlanRequest<'_>, plan: &ShootingPlan) -> Drawing {}
    pub fn exposure_at(
        request: &PlanRequest<'_>,
        rig: &Setup,
        at: Instant,
    ) -> ExposureAdvice {}
    pub fn marked_shutter(seconds: f64) -> f64 {}
    pub fn marked_shutter_at_most(seconds: f64) -> f64 {}
    pub fn plan(request: &PlanRequest<'_>) -> ShootingPlan {}
    pub fn schedule(request: &PlanRequest<'_>) -> Vec<ScheduledFrame> {}
    pub fn schedule_csv(frames: &[ScheduledFrame]) -> String {}
    pub fn shutter_words(seconds: f64) -> String {}
    pub fn summarize(
        eclipse: &LunarEclipse,
        observer: Option<&Observer>,
    ) -> EclipseSummary {}
}
#[cfg(feature = "picture")]
pub mod proof {
    #[derive(Clone, Copy, Debug, PartialEq, Serialize)]
    pub struct Circle {
        pub x: f64,
        pub y: f64,
        pub r: f64,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Claim {
        pub about: &'static str,
        pub said: String,
        pub found: String,
        pub verdict: Verdict,
    }
    #[derive(Clone, Debug, Serialize)]
    /// and what is private
    pub struct ContactProof {
        pub name: String,
        pub utc: String,
        pub before: Option<(String, f64)>,
        pub after: Option<(String, f64)>,
    }
    #[derive(Clone, Debug, Serialize)]
    /// and what is private
    pub struct FrameProof {
        pub file: String,
        pub rig: usize,
        pub status: &'static str,
        pub reason: Option<String>,
        pub missed: bool,
        pub odd_size: bool,
        pub excluded: bool,
        pub foreground: bool,
        pub usable: bool,
        pub utc: Option<String>,
        pub exposure_s: Option<f64>,
        pub f_number: Option<f64>,
        pub iso: Option<f64>,
        pub limb: Option<Circle>,
        pub centre_sigma_px: Option<f64>,
        pub radius_sigma_px: Option<f64>,
        pub predicted_radius_px: Option<f64>,
        pub off_track_px: Option<f64>,
        pub north_deg: Option<f64>,
        pub north_sigma_deg: Option<f64>,
        pub north_by: Option<String>,
        pub umbra: Option<Circle>,
        pub penumbra: Option<Circle>,
        pub umbral_fraction: Option<f64>,
        pub phase_contradicted: bool,
        pub altitude_deg: Option<f64>,
        pub light_ratio: Option<f64>,
        pub edge_width_px: Option<f64>,
        pub saturated_share: Option<f64>,
        pub quality: f64,
        pub lacks: Option<&'static str>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Proof {
        pub title: String,
        pub sentences: [String; 3],
        pub rigs: Vec<RigProof>,
        pub frames: Vec<FrameProof>,
        pub contacts: Vec<ContactProof>,
        pub stretches: Vec<StretchProof>,
        pub claims: Vec<Claim>,
        pub remarks: Vec<Remark>,
    }
    impl Proof {
        pub fn of(
            night: &Night,
            registration: &Registration,
            said: &[Diagnostic],
            weighed: bool,
        ) -> Self {}
        pub fn to_html(&self, windows: &[Option<Window>]) -> String {}
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct Remark {
        pub severity: &'static str,
        pub code: String,
        pub message: String,
        pub help: Option<String>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct RigProof {
        pub name: String,
        pub arcsec_per_px: Option<f64>,
        pub clock: Option<String>,
        pub mirrored: Option<bool>,
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct StretchProof {
        pub from: String,
        pub to: String,
        pub frames: usize,
        pub usable: usize,
        pub longest_gap_minutes: f64,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
    pub enum Verdict {
        Contradicted,
        BorneOut,
        Untested,
    }
    #[derive(Clone, Debug)]
    pub struct Window {
        pub jpeg: Vec<u8>,
        pub shows: (f64, f64, f64, f64),
        pub wanted: (f64, f64, f64, f64),
        pub lifted_stops: f64,
    }
    pub fn is_own_page(beginning: &str) -> bool {}
    pub fn whole_of(
        night: &Night,
        f: &FrameRegistration,
        longest_side: usize,
    ) -> Option<Window> {}
    pub fn window_of(night: &Night, f: &FrameRegistration) -> Option<Window> {}
    pub fn windows(
        night: &Night,
        registration: &Registration,
        progress: &(dyn Fn(&str) + Sync),
    ) -> Vec<Option<Window>> {}
}
pub mod raster {
    #[derive(Clone, Debug)]
    /// and what is private
    pub struct CodedPlane {}
    impl CodedPlane {
        pub fn from_codes(
            width: usize,
            height: usize,
            codes: Vec<u8>,
            light: [f32; 256],
        ) -> Option<Self> {}
        pub fn from_rgb8(width: usize, height: usize, rgb: &[u8]) -> Option<Self> {}
        pub fn from_rgb16(
            width: usize,
            height: usize,
            rgb: &[u16],
            curve: TransferFunction,
        ) -> Option<Self> {}
        pub fn from_light(plane: Plane) -> Self {}
        #[must_use]
        pub fn with_curve_known(self, known: bool) -> Self {}
        #[must_use]
        pub fn without(self, rectangles: Vec<PixelRect>) -> Self {}
        pub fn ignored(&self) -> &[PixelRect] {}
        pub fn is_ignored(&self, x: f64, y: f64, within_px: f64) -> bool {}
        #[must_use]
        pub fn reduced_copy(&self, factor: usize) -> Self {}
        pub fn curve_known(&self) -> bool {}
        pub fn width(&self) -> usize {}
        pub fn height(&self) -> usize {}
        pub fn get(&self, x: usize, y: usize) -> f32 {}
        pub fn window(&self, rect: PixelRect) -> (Plane, PixelRect) {}
        pub fn window_of_codes(&self, rect: PixelRect) -> (Plane, PixelRect) {}
        pub fn code(&self, x: usize, y: usize) -> f32 {}
        pub fn step_at(&self, level: f32) -> f32 {}
        pub fn reduced(&self, factor: usize) -> Plane {}
        pub fn glanced(&self, factor: usize) -> Plane {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct ColourMatrix(_);
    impl ColourMatrix {
        pub fn new(m: Matrix3) -> Self {}
        pub fn is_identity(&self) -> bool {}
        pub fn apply(&self, p: [f32; 3]) -> [f32; 3] {}
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct CutOut {
        pub light: LinearImage,
        pub rect: PixelRect,
        pub saturated: Vec<bool>,
        pub darkest_told: f32,
        pub step: f32,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Kernel {
        Lanczos,
        Hamming,
    }
    #[derive(Clone, Debug, PartialEq)]
    /// and what is private
    pub struct LinearImage {}
    impl LinearImage {
        pub fn new(width: usize, height: usize) -> Self {}
        pub fn from_data(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {}
        pub fn width(&self) -> usize {}
        pub fn height(&self) -> usize {}
        pub fn data(&self) -> &[f32] {}
        pub fn data_mut(&mut self) -> &mut [f32] {}
        pub fn pixel(&self, x: usize, y: usize) -> [f32; 3] {}
        pub fn set_pixel(&mut self, x: usize, y: usize, rgb: [f32; 3]) {}
        pub fn crop(&self, rect: PixelRect) -> (LinearImage, PixelRect) {}
        #[must_use]
        pub fn averaged(&self, rect: PixelRect, block: usize) -> LinearImage {}
        pub fn brightness(&self) -> Plane {}
        pub fn red(&self) -> Plane {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct LinearMap {
        pub source_centre: PixelPoint,
        pub target_centre: PixelPoint,
        pub to_source: Matrix2,
    }
    impl LinearMap {
        pub fn source_of(&self, target: PixelPoint) -> PixelPoint {}
        pub fn reduction(&self) -> f64 {}
    }
    impl From<Similarity> for LinearMap {}
    pub type Matrix2 = [[f64; 2]; 2];
    pub type Matrix3 = [[f64; 3]; 3];
    #[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
    pub struct PixelPoint {
        pub x: f64,
        pub y: f64,
    }
    impl PixelPoint {
        pub const fn new(x: f64, y: f64) -> Self {}
        pub fn distance(self, other: PixelPoint) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    pub struct PixelRect {
        pub x0: i64,
        pub y0: i64,
        pub x1: i64,
        pub y1: i64,
    }
    impl From<IgnoredRectangle> for PixelRect {}
    impl PixelRect {
        pub fn around(centre: PixelPoint, reach_px: f64) -> Self {}
        pub fn of_size(width: usize, height: usize) -> Self {}
        pub fn intersection(self, other: PixelRect) -> PixelRect {}
        pub fn is_near(self, x: f64, y: f64, within_px: f64) -> bool {}
        #[must_use]
        pub fn enlarged(self, by: usize) -> Self {}
        pub fn is_empty(self) -> bool {}
        pub fn width(self) -> usize {}
        pub fn height(self) -> usize {}
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    /// and what is private
    pub struct Plane {}
    impl Plane {
        pub fn filled(width: usize, height: usize, value: f32) -> Self {}
        pub fn from_data(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {}
        pub fn width(&self) -> usize {}
        pub fn height(&self) -> usize {}
        pub fn data(&self) -> &[f32] {}
        pub fn data_mut(&mut self) -> &mut [f32] {}
        pub fn into_data(self) -> Vec<f32> {}
        pub fn get(&self, x: usize, y: usize) -> f32 {}
        pub fn sample(&self, x: f64, y: f64) -> f32 {}
        pub fn reduced(&self, factor: usize) -> Plane {}
        pub fn blurred(&self, sigma_px: f64) -> Plane {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct RgbSpace {
        pub primaries: [(f64, f64); 3],
        pub white: (f64, f64),
        pub transfer: TransferFunction,
    }
    impl RgbSpace {
        pub const SRGB: RgbSpace = _;
        pub const LINEAR_SRGB: RgbSpace = _;
        pub const DISPLAY_P3: RgbSpace = _;
        pub const OP_RGB: RgbSpace = _;
        pub const REC_2020: RgbSpace = _;
        pub const WORKING: RgbSpace = _;
        pub fn to_xyz(&self) -> Matrix3 {}
        pub fn to(&self, other: &RgbSpace) -> Matrix3 {}
        pub fn to_connection_space(&self) -> Matrix3 {}
        pub fn luminance_weights(&self) -> [f32; 3] {}
        pub fn from_connection_space(&self) -> Matrix3 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Similarity {
        pub source_centre: PixelPoint,
        pub target_centre: PixelPoint,
        pub scale: f64,
        pub turn: Angle,
    }
    impl Similarity {
        pub fn apply(&self, source: PixelPoint) -> PixelPoint {}
        pub fn invert(&self, target: PixelPoint) -> PixelPoint {}
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct Stamp {
        pub rect: PixelRect,
        pub rgba: Vec<f32>,
    }
    impl Stamp {
        pub fn transparent(rect: PixelRect) -> Self {}
        pub fn pixel(&self, x: i64, y: i64) -> Option<[f32; 4]> {}
    }
    /// and what is private
    pub struct Tabulated {}
    impl Tabulated {
        pub fn new(function: impl Fn(f32) -> f32 + Send + Sync + 'static) -> Self {}
        pub fn at(&self, x: f32) -> f32 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
    pub enum TransferFunction {
        Srgb,
        Linear,
        OpRgb,
        Bt2020,
    }
    impl TransferFunction {
        pub fn decode(self, value: f32) -> f32 {}
        pub fn encode(self, light: f32) -> f32 {}
    }
    pub fn block_side(reduction: f64) -> usize {}
    pub fn inverse(m: Matrix3) -> Matrix3 {}
    pub fn product(a: Matrix3, b: Matrix3) -> Matrix3 {}
    pub fn resample(
        source: &LinearImage,
        map: &LinearMap,
        rect: PixelRect,
        kernel: Kernel,
    ) -> Vec<f32> {}
    pub fn resample_where(
        source: &LinearImage,
        map: &LinearMap,
        rect: PixelRect,
        kernel: Kernel,
        wanted: &dyn Fn(usize) -> bool,
    ) -> Vec<f32> {}
}
pub mod registration {
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct ClockEstimate {
        pub ahead_s: f64,
        pub sigma_s: f64,
        pub frames: usize,
        pub both_sides: bool,
        pub put_right: bool,
    }
    impl ClockEstimate {
        pub fn is_sure(&self) -> bool {}
        pub fn is_far_off(&self) -> bool {}
        pub fn zone_slip_s(&self) -> Option<f64> {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Disc {
        pub centre: PixelPoint,
        pub radius_px: f64,
        pub true_radius_px: Option<f64>,
        pub centre_sigma_px: f64,
        pub fit: Option<DiscFit>,
    }
    impl From<DiscFit> for Disc {}
    impl Disc {
        pub fn moon_radius_px(&self) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Drift {
        pub from: Instant,
        pub until: Instant,
        pub start: PixelPoint,
        pub px_per_hour: (f64, f64),
        pub bend: (f64, f64),
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct FrameRegistration {
        pub file: String,
        pub rig: usize,
        pub time: Option<Instant>,
        pub sighting: Sighting,
        pub umbral_fraction: Option<f64>,
        pub phase_contradicted: bool,
        pub told: Option<PixelRect>,
        pub orientation: Option<Orientation>,
        pub light_ratio: Option<f64>,
        pub rejected: Vec<Rejection>,
        pub foreground: bool,
        pub fingerprint: Option<String>,
        pub exclude: bool,
        pub nudge: Nudge,
    }
    impl FrameRegistration {
        pub fn status(&self) -> Status {}
        pub fn disc(&self) -> Option<&Disc> {}
        pub fn centre(&self) -> Option<PixelPoint> {}
        pub fn radius_px(&self) -> Option<f64> {}
        pub fn centre_sigma_px(&self) -> Option<f64> {}
        pub fn fit(&self) -> Option<&DiscFit> {}
        pub fn reason(&self) -> Option<String> {}
    }
    impl From<FrameForm> for FrameRegistration {}
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct MountRotation {
        pub up_position_angle: Angle,
        pub degrees_per_hour: f64,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Nudge {
        pub gain_stops: f64,
        pub white: (f64, f64),
        pub turn: Angle,
    }
    impl Default for Nudge {}
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Orientation {
        pub up_position_angle: Angle,
        pub mirrored: bool,
        pub sigma: Angle,
        pub source: OrientationSource,
    }
    impl Orientation {
        pub fn north_turn(&self) -> Angle {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    pub enum OrientationSource {
        Features,
        Pointing,
        Shadow,
        Sequence,
    }
    impl fmt::Display for OrientationSource {}
    #[derive(Clone, Copy, Debug, PartialEq)]
    /// and what is private
    pub struct PointingSolution {
        pub from: Option<Instant>,
        pub pointing: CameraPointing,
        pub rms_px: f64,
        pub frames: usize,
    }
    /// and what is private
    pub struct Quality {}
    impl Quality {
        pub const POOR: f64 = _;
        pub fn of(registration: &Registration, rig: usize) -> Self {}
        pub fn rate(&self, frame: &FrameRegistration, size: (usize, usize)) -> Rating {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Rating {
        pub quality: f64,
        pub lacks: Option<&'static str>,
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct Registration {
        pub rigs: Vec<RigSolution>,
        pub frames: Vec<FrameRegistration>,
    }
    impl Registration {
        pub fn join(&mut self, other: Registration, names: &[(String, String)]) {}
        pub fn renamed(&mut self, night: &Night) -> Vec<(String, String)> {}
        pub fn without_changed(&mut self, night: &Night) -> Vec<String> {}
        pub fn keep_what_was_set(&mut self, earlier: &Registration) -> usize {}
        pub fn size_of(&self, frame: &FrameRegistration) -> (usize, usize) {}
        pub fn frame(&self, file: &str) -> Option<&FrameRegistration> {}
        pub fn count(&self, status: Status) -> usize {}
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct RegistrationFile {
        pub registration: Registration,
        pub frames_folder: String,
        pub frames_digest: String,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Rejection {
        pub centre: PixelPoint,
        pub radius_px: f64,
        pub reason: RejectionReason,
    }
    impl Rejection {
        pub fn new(disc: &DiscFit, reason: RejectionReason) -> Self {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    #[non_exhaustive]
    pub enum RejectionReason {
        LensGhost,
        DoesNotMove,
        WrongSize,
        OffTrack,
        NoMoonsFace,
    }
    impl fmt::Display for RejectionReason {}
    #[derive(Clone, Debug, PartialEq)]
    pub struct RigSolution {
        pub width: usize,
        pub height: usize,
        pub focal_length_px: Option<f64>,
        pub pointings: Vec<PointingSolution>,
        pub tracking: Option<TrackingSolution>,
        pub mirrored: Option<bool>,
        pub rotation: Option<MountRotation>,
        pub clock: Option<ClockEstimate>,
    }
    impl RigSolution {
        pub fn pointing_at(
            &self,
            instant: Option<Instant>,
        ) -> Option<&PointingSolution> {}
    }
    impl From<&RigForm> for RigSolution {}
    #[derive(Clone, Debug, PartialEq)]
    pub enum Sighting {
        Measured(Disc),
        Inferred(Disc, Why),
        Absent(Why),
    }
    impl Sighting {
        pub fn status(&self) -> Status {}
        pub fn disc(&self) -> Option<&Disc> {}
        pub fn why(&self) -> Option<&Why> {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    pub enum Status {
        Measured,
        Inferred,
        Absent,
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct TrackingSolution {
        pub stretches: Vec<Drift>,
        pub wobble: Option<Wobble>,
        pub rms_px: f64,
        pub frames: usize,
    }
    impl TrackingSolution {
        pub fn expects(&self, instant: Instant) -> Option<PixelPoint> {}
    }
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
    #[non_exhaustive]
    pub enum Why {
        Unreadable(String),
        NoDisc,
        NoDiscOfItsSize,
        BelowHorizon,
        OutsideFrame,
        NoLimb,
        Changed,
    }
    impl fmt::Display for Why {}
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct Wobble {
        pub period_s: f64,
        pub sine_px: (f64, f64),
        pub cosine_px: (f64, f64),
    }
    impl Wobble {
        pub fn amplitude_px(&self) -> f64 {}
    }
    pub fn as_written(registration: &Registration) -> Registration {}
    pub fn clock_words(clock: &ClockEstimate) -> String {}
    pub fn is_cut(frame: &FrameRegistration, size: (usize, usize)) -> bool {}
    pub fn landscape_of<'a>(
        night: &'a Night,
        registration: &Registration,
        rig: usize,
    ) -> Option<&'a Frame> {}
    pub fn pointing_at(
        pointings: &[PointingSolution],
        instant: Option<Instant>,
    ) -> Option<&PointingSolution> {}
    pub fn read_registration(
        path: &Path,
        text: &str,
    ) -> Result<RegistrationFile, Diagnostic> {}
    pub fn registration_csv(registration: &Registration) -> String {}
    pub fn registration_text(
        registration: &Registration,
        frames_folder: &str,
        frames_digest: &str,
    ) -> Result<String, Diagnostic> {}
    pub fn remarks(night: &Night, registration: &Registration) -> Vec<Diagnostic> {}
}
pub mod response {
    #[derive(Clone, Debug)]
    pub struct Response {
        pub light: [Vec<f32>; 3],
        pub moments: usize,
        pub residual_stops: f64,
    }
    #[derive(Clone, Debug, PartialEq, thiserror::Error)]
    #[non_exhaustive]
    pub enum ResponseError {
        NoBrackets,
        LittleSeen { share: f64 },
    }
    pub fn recover(
        night: &Night,
        registration: &Registration,
    ) -> Result<Response, ResponseError> {}
}
#[cfg(feature = "picture")]
pub mod score {
    #[derive(Clone, Debug, PartialEq)]
    pub struct DiscScore {
        pub file: String,
        pub umbral_fraction: f64,
        pub radius_px: f64,
        pub limb_shown: f64,
        pub centre_off_px: (f64, f64),
        pub radius_off: f64,
        pub orientation_off_deg: Option<f64>,
        pub mirror_right: Option<bool>,
    }
    impl DiscScore {
        pub fn centre_px(&self) -> f64 {}
    }
    pub const LIMB_PROMISED: f64 = _;
    #[derive(Clone, Debug, PartialEq)]
    pub struct Score {
        pub rig: String,
        pub discs: Vec<DiscScore>,
        pub missed: Vec<String>,
        pub false_discs: Vec<String>,
        pub shown: usize,
        pub moonless: usize,
        pub plate_scale_off: Option<f64>,
        pub residual_px: Option<f64>,
        pub clock_off_s: Option<(f64, f64)>,
    }
    impl Score {
        pub fn of(registration: &Registration, truth: &Truth) -> Self {}
        pub fn detection(&self) -> f64 {}
        pub fn centre_px(&self, share: f64) -> Option<f64> {}
        pub fn worst_radius(&self) -> Option<f64> {}
        pub fn orientation_deg(&self, share: f64) -> Option<f64> {}
        pub fn radius_px(&self) -> f64 {}
        pub fn jitter_px(&self, share: f64) -> Option<f64> {}
    }
    pub struct ScoreTable<'a>(pub &'a [Score]);
    impl fmt::Display for ScoreTable<'_> {}
}
#[cfg(feature = "picture")]
pub mod simulate {
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct CameraModel {
        pub model: String,
        pub width_px: usize,
        pub height_px: usize,
        pub pixel_pitch_um: f64,
        pub focal_length_mm: f64,
        pub k1: f64,
        pub blur_px: f64,
        pub seeing_arcsec: f64,
        pub glow: f64,
        pub smear: f64,
        pub bloom: f64,
        pub full_well: f64,
        pub read_noise: f64,
        pub mirrored: bool,
        pub processing: Processing,
    }
    impl CameraModel {
        pub fn camera(&self) -> Camera {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
    pub enum FrameFormat {
        Jpeg { quality: u8 },
        LinearTiff,
        FloatTiff,
        Dng,
    }
    impl Default for FrameFormat {}
    #[derive(Clone, Debug, Serialize, Deserialize)]
    pub struct FrameTruth {
        pub file: String,
        pub utc: String,
        pub moon_in_frame: bool,
        pub x_px: Option<f64>,
        pub y_px: Option<f64>,
        pub radius_px: Option<f64>,
        pub umbral_fraction: f64,
        pub altitude_deg: f64,
        pub azimuth_deg: f64,
        pub up_position_angle_deg: f64,
        pub mirrored: bool,
        pub limb_shown: f64,
        pub camera_deg: [f64; 3],
        pub exposure_s: f64,
        pub f_number: f64,
        pub iso: f64,
        pub trail_px: f64,
        pub mishaps: Vec<String>,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub struct Knock {
        pub after_minutes: f64,
        pub by_deg: (f64, f64, f64),
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
    pub enum Landscape {
        None,
        SaltbushJetty,
    }
    #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Mishaps {
        pub clock_ahead_s: f64,
        pub cloud: f64,
        pub ghost: f64,
        pub lamps: u32,
        pub covered: f64,
        pub cut: f64,
        pub planet: bool,
        pub hot_pixels: u32,
        pub daylight: f64,
        pub shaken: f64,
        pub defocus_px: f64,
        pub knocks: Vec<Knock>,
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
    pub struct Processing {
        pub contrast: f64,
        pub shoulder: f64,
        pub toe: f64,
        pub sharpening: f64,
        pub smoothing: f64,
        pub fringe_px: f64,
    }
    impl Processing {
        pub fn curve(&self, code: f32) -> f32 {}
    }
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum RehearseError {
        Folder { path: std::path::PathBuf, source: std::io::Error },
        FolderInUse { path: std::path::PathBuf },
        Write(WriteError),
        Incomplete { what: &'static str },
    }
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
    pub enum RehearsedMount {
        FixedTripod { azimuth_deg: f64, altitude_deg: f64, roll_deg: f64 },
        ReaimedTripod { scatter_px: f64, roll_scatter_deg: f64 },
        Tracking {
            up_position_angle_deg: f64,
            drift_px_per_hour: (f64, f64),
            rotation_deg_per_hour: f64,
            wobble_px: f64,
            wobble_period_s: f64,
        },
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct RehearsedRig {
        pub name: String,
        pub camera: CameraModel,
        pub mount: RehearsedMount,
        pub frames: Firing,
        pub exposures: Vec<ExposureStep>,
        pub foreground: Vec<ForegroundFrame>,
        pub landscape: Landscape,
        pub format: FrameFormat,
        pub mishaps: Mishaps,
    }
    impl RehearsedRig {
        pub fn setup(&self) -> Setup {}
        pub fn exposure(&self, umbral_fraction: f64) -> Exposure {}
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
    pub enum RehearsedShadow {
        AsModelled,
        Drawn,
    }
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
    pub struct Scenario {
        pub version: u32,
        pub title: String,
        pub site: Site,
        pub eclipse: String,
        pub utc_offset: String,
        pub danjon: f64,
        pub shadow: RehearsedShadow,
        pub seed: u64,
        pub rigs: Vec<RehearsedRig>,
    }
    impl Scenario {
        pub fn scaled(self, factor: f64) -> Self {}
        pub fn work(&self) -> (usize, f64) {}
        pub fn zone(&self) -> jiff::tz::TimeZone {}
    }
    impl Scenario {
        pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {}
    }
    #[derive(Clone, Debug, Serialize, Deserialize)]
    pub struct Truth {
        pub schema: String,
        pub rig: String,
        pub focal_length_px: f64,
        pub k1: f64,
        pub clock_ahead_s: f64,
        pub frames: Vec<FrameTruth>,
    }
    pub fn refuse_a_photographers_folder(folder: &Path) -> Result<(), RehearseError> {}
    pub fn rehearse(
        scenario: &Scenario,
        out: &Path,
        progress: &(dyn Fn(&Path) + Sync),
    ) -> Result<Vec<Truth>, RehearseError> {}
}
pub mod sky {
    #[derive(Clone, Copy, Debug)]
    /// and what is private
    pub struct ApparentPosition {
        pub right_ascension: Angle,
        pub declination: Angle,
        pub distance_km: f64,
        pub semidiameter: Angle,
        pub airless: Horizontal,
        pub parallactic_angle: Angle,
    }
    impl ApparentPosition {
        pub fn refracted(&self, air: Refraction) -> Horizontal {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct CameraPointing {
        pub lens: Lens,
        pub azimuth: Angle,
        pub altitude: Angle,
        pub roll: Angle,
    }
    impl CameraPointing {
        pub fn axes(&self) -> [Vector3; 3] {}
        pub fn to_pixel(&self, seen: Horizontal) -> Option<PixelPoint> {}
        pub fn to_sky(&self, pixel: PixelPoint) -> Horizontal {}
        pub fn zenith_turn(&self, pixel: PixelPoint) -> Angle {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum Contact {
        P1,
        U1,
        U2,
        Greatest,
        U3,
        U4,
        P4,
    }
    impl fmt::Display for Contact {}
    #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
    pub struct Danjon {
        pub scale: f64,
    }
    impl Danjon {
        pub fn depth_stops(self) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct EarthShadow {
        pub xi: Angle,
        pub eta: Angle,
        pub umbra_radius: Angle,
        pub penumbra_radius: Angle,
        pub moon_semidiameter: Angle,
    }
    impl EarthShadow {
        pub fn separation(&self) -> Angle {}
        pub fn position_angle(&self) -> Angle {}
        pub fn umbral_fraction(&self) -> f64 {}
        pub fn penumbral_fraction(&self) -> f64 {}
        pub fn umbral_magnitude(&self) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum EclipseKind {
        Penumbral,
        Partial,
        Total,
    }
    impl std::fmt::Display for EclipseKind {}
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Extinction {
        pub magnitudes: [f64; 3],
    }
    impl Default for Extinction {}
    impl Extinction {
        pub fn transmission(&self, airmass: f64) -> [f64; 3] {}
    }
    #[derive(Clone, Copy, Debug)]
    /// and what is private
    pub struct Globe {}
    impl Globe {
        pub fn place(&self, east: f64, north: f64) -> Vector3 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Horizontal {
        pub altitude: Angle,
        pub azimuth: Angle,
    }
    impl Horizontal {
        pub fn direction(&self) -> Vector3 {}
        pub fn from_direction(v: &Vector3) -> Self {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Lens {
        pub centre: PixelPoint,
        pub focal_length_px: f64,
        pub k1: f64,
        pub k2: f64,
    }
    impl Lens {
        pub fn rectilinear(
            width_px: usize,
            height_px: usize,
            focal_length_px: f64,
        ) -> Self {}
        pub fn reduced(&self, factor: f64) -> Self {}
        pub fn to_pixel(&self, direction: &Vector3) -> Option<PixelPoint> {}
        pub fn to_direction(&self, pixel: PixelPoint) -> Vector3 {}
        pub fn local_metric(&self, pixel: PixelPoint) -> [[f64; 2]; 2] {}
        pub fn disc_radius_px(&self, pixel: PixelPoint, semidiameter: Angle) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Libration {
        pub longitude: Angle,
        pub latitude: Angle,
        pub axis_position_angle: Angle,
    }
    impl Libration {
        pub fn globe(&self) -> Globe {}
    }
    #[derive(Clone, Debug)]
    pub struct LunarEclipse {
        pub kind: EclipseKind,
        pub contacts: Vec<(Contact, Instant)>,
        pub umbral_magnitude: f64,
        pub penumbral_magnitude: f64,
        pub saros: i64,
        pub gamma: f64,
    }
    impl LunarEclipse {
        pub fn at(&self, contact: Contact) -> Option<Instant> {}
        pub fn greatest(&self) -> Instant {}
    }
    pub const MEAN_SEMIDIAMETER_RAD: f64 = _;
    pub const MOON_COLOUR: [f64; 3] = _;
    pub const MOON_RADIUS_KM: f64 = _;
    pub type Matrix3 = nalgebra::Matrix3<f64>;
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Observer {
        pub latitude: Angle,
        pub longitude: Angle,
        pub elevation_m: f64,
        pub ut1_minus_utc_s: f64,
    }
    impl Observer {
        pub fn new(
            latitude_deg: f64,
            longitude_deg: f64,
            elevation_m: f64,
        ) -> Result<Self, SiteError> {}
        pub fn kilometres_from(&self, other: &Observer) -> f64 {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Projection {
        Tan,
        Stg,
        Arc,
        Zea,
        Car,
    }
    impl Projection {
        pub fn by_name(name: &str) -> Option<Self> {}
        pub fn forward(self, d: &Vector3) -> Option<(f64, f64)> {}
        pub fn inverse(self, x: f64, y: f64) -> Option<Vector3> {}
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Refraction {
        pub pressure_mbar: f64,
        pub temperature_c: f64,
    }
    impl Default for Refraction {}
    impl Refraction {
        pub fn lift_at_apparent(&self, apparent: Angle) -> Angle {}
        pub fn apparent_altitude(&self, airless: Angle) -> Angle {}
        pub fn airless_altitude(&self, apparent: Angle) -> Angle {}
        pub fn pressing(&self, apparent: Angle, semidiameter: Angle) -> f64 {}
    }
    pub const SATURATION_PER_LIGHT_GAIN: f64 = _;
    pub const SERIES_RANGE: std::ops::RangeInclusive<f64> = _;
    #[derive(Clone, Copy, Debug)]
    /// and what is private
    pub struct ShadowGeometry {
        pub separation: Angle,
        pub umbra_radius: Angle,
        pub penumbra_radius: Angle,
        pub moon_semidiameter: Angle,
        pub moon_parallax: Angle,
        pub moon_is_north: bool,
    }
    #[derive(Clone, Debug)]
    /// and what is private
    pub struct ShadowLight {}
    impl ShadowLight {
        pub fn new(umbra_radius: Angle, penumbra_radius: Angle, danjon: Danjon) -> Self {}
        pub fn sunlight(&self, from_axis: Angle) -> f64 {}
        pub fn radiance(&self, from_axis: Angle) -> [f64; 3] {}
        pub fn bright_part(
            &self,
            moon_semidiameter: Angle,
            separation: Angle,
        ) -> [f64; 3] {}
        pub fn mean_over_disc(
            &self,
            moon_semidiameter: Angle,
            separation: Angle,
        ) -> [f64; 3] {}
    }
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
    pub enum ShadowRule {
        Danjon,
        Chauvenet,
        HeraldSinnott,
    }
    #[derive(Clone, Debug, thiserror::Error, PartialEq)]
    #[non_exhaustive]
    pub enum SiteError {
        Latitude { degrees: f64 },
        Longitude { degrees: f64 },
        Elevation { metres: f64 },
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum SurfaceDetail {
        Coarse,
        Fine,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Twilight {
        Day,
        Civil,
        Nautical,
        Astronomical,
        Night,
    }
    impl Twilight {
        pub fn of(sun_altitude: Angle) -> Self {}
        pub fn words(self) -> &'static str {}
    }
    pub type Vector3 = nalgebra::Vector3<f64>;
    pub fn airmass(apparent_altitude: Angle) -> f64 {}
    pub fn apparent_moon(observer: &Observer, instant: Instant) -> ApparentPosition {}
    pub fn apparent_sun_altitude(observer: &Observer, instant: Instant) -> Angle {}
    pub fn disc_fraction_covered(disc: f64, other: f64, separation: f64) -> f64 {}
    pub fn eclipse_near(instant: Instant) -> Option<LunarEclipse> {}
    pub fn eclipse_within(instant: Instant, days: f64) -> Option<LunarEclipse> {}
    pub fn eclipses_between(from: Instant, to: Instant) -> Vec<LunarEclipse> {}
    pub fn eclipses_between_by(
        rule: ShadowRule,
        from: Instant,
        to: Instant,
    ) -> Vec<LunarEclipse> {}
    pub fn geocentric_equatorial(instant: Instant) -> (Angle, Angle, f64) {}
    pub fn geocentric_libration(instant: Instant) -> Libration {}
    pub fn geocentric_moon(instant: Instant) -> Vector3 {}
    pub fn geocentric_shadow(instant: Instant) -> ShadowGeometry {}
    pub fn geocentric_shadow_by(rule: ShadowRule, instant: Instant) -> ShadowGeometry {}
    pub fn geocentric_sun(instant: Instant) -> Vector3 {}
    pub fn horizontal_of_star(
        observer: &Observer,
        instant: Instant,
        right_ascension: Angle,
        declination: Angle,
    ) -> Horizontal {}
    pub fn libration(
        observer: &Observer,
        instant: Instant,
        seen: &ApparentPosition,
    ) -> Libration {}
    pub fn lunar_albedo(detail: SurfaceDetail, place: &Vector3) -> f64 {}
    pub fn serves(instant: crate::units::Instant) -> bool {}
    pub fn shadow_from(
        observer: &Observer,
        instant: Instant,
        seen: &ApparentPosition,
    ) -> EarthShadow {}
}
pub mod solve {
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
    pub enum ClockSource {
        Frames,
        Shadow,
    }
    #[derive(Clone, Default, Serialize, Deserialize)]
    /// and what is private
    pub struct Looks {
        pub folder: String,
    }
    impl Looks {
        pub fn at_part(
            night: &Night,
            (part, of): (usize, usize),
            progress: &(dyn Fn(&str) + Sync),
        ) -> Self {}
        pub fn look(
            &mut self,
            night: &Night,
            wanted: &(dyn Fn(usize) -> bool + Sync),
            progress: &(dyn Fn(&str) + Sync),
        ) {}
        pub fn len(&self) -> usize {}
        pub fn is_empty(&self) -> bool {}
        pub fn join(&mut self, other: Looks) {}
        pub fn cover(&self, night: &Night) -> Result<(), LooksError> {}
        pub fn is_begun_by(bytes: &[u8]) -> bool {}
        pub fn to_bytes(&self) -> Result<Vec<u8>, String> {}
        pub fn from_bytes(bytes: &[u8]) -> Result<Self, LooksError> {}
    }
    #[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
    #[non_exhaustive]
    pub enum LooksError {
        NoLooks,
        OtherVersion,
        Damaged,
        Missing(Vec<String>),
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct Suggestion {
        pub mount: Mount,
        pub steps: (usize, usize),
        pub focal_length_px: Option<f64>,
        pub landscape: Option<String>,
    }
    pub fn register(
        night: &Night,
        clock: ClockSource,
        progress: &(dyn Fn(&str) + Sync),
    ) -> Warned<Registration> {}
    pub fn register_with(
        night: &Night,
        clock: ClockSource,
        known: &Looks,
        progress: &(dyn Fn(&str) + Sync),
    ) -> Warned<Registration> {}
    pub fn suggest(night: &Night, registration: &Registration) -> Suggestion {}
}
pub mod units {
    #[derive(Clone, Copy, PartialEq, PartialOrd, Default)]
    pub struct Angle(_);
    impl Angle {
        pub const ZERO: Angle = _;
        pub const fn from_radians(radians: f64) -> Self {}
        pub fn from_degrees(degrees: f64) -> Self {}
        pub fn from_arcsec(arcsec: f64) -> Self {}
        pub const fn radians(self) -> f64 {}
        pub fn degrees(self) -> f64 {}
        pub fn arcsec(self) -> f64 {}
        pub fn sin(self) -> f64 {}
        pub fn cos(self) -> f64 {}
        pub fn tan(self) -> f64 {}
        pub fn abs(self) -> Self {}
        pub fn normalized(self) -> Self {}
        pub fn normalized_signed(self) -> Self {}
    }
    impl fmt::Debug for Angle {}
    impl Add for Angle {
        type Output = Angle;
    }
    impl Sub for Angle {
        type Output = Angle;
    }
    impl Neg for Angle {
        type Output = Angle;
    }
    impl Mul<f64> for Angle {
        type Output = Angle;
    }
    impl Div<f64> for Angle {
        type Output = Angle;
    }
    impl Div<Angle> for Angle {
        type Output = f64;
    }
    #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
    pub struct Aperture {
        pub f_number: f64,
    }
    #[derive(Clone, Copy, Debug, PartialEq)]
    pub struct Exposure {
        pub time: ExposureTime,
        pub aperture: Aperture,
        pub sensitivity: IsoSpeed,
    }
    impl Exposure {
        pub fn new(seconds: f64, f_number: f64, iso: f64) -> Self {}
        pub fn light_gain(&self) -> f64 {}
        pub fn value(&self) -> ExposureValue {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
    pub struct ExposureTime {
        pub seconds: f64,
    }
    impl fmt::Display for ExposureTime {}
    #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
    pub struct ExposureValue {
        pub stops: f64,
    }
    #[derive(Clone, Copy, PartialEq, PartialOrd)]
    /// and what is private
    pub struct Instant {}
    impl Instant {
        pub const fn from_tt_seconds(tt_seconds_since_j2000: f64) -> Self {}
        pub fn from_utc(utc: Timestamp) -> Self {}
        pub fn parse_utc(text: &str) -> Result<Self, InstantError> {}
        pub fn to_utc(self) -> Timestamp {}
        pub const fn tt_seconds(self) -> f64 {}
        pub fn tt_julian_date(self) -> (f64, f64) {}
        pub fn julian_centuries(self) -> f64 {}
        pub fn ut1_julian_date(self, ut1_minus_utc_s: f64) -> (f64, f64) {}
        pub fn plus_seconds(self, seconds: f64) -> Self {}
        pub fn seconds_since(self, earlier: Instant) -> f64 {}
        pub fn to_iso_utc(self) -> String {}
    }
    impl fmt::Debug for Instant {}
    #[derive(Clone, Debug, thiserror::Error, PartialEq)]
    #[non_exhaustive]
    pub enum InstantError {
        Unreadable { text: String },
    }
    #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
    pub struct IsoSpeed {
        pub iso: f64,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum TimeScale {
        Utc,
        Tt,
    }
}
#[cfg(feature = "picture")]
pub mod vigil {
    #[derive(Clone, Debug, PartialEq, Serialize)]
    pub struct Advice {
        pub kind: Kind,
        pub urgency: Urgency,
        pub text: String,
    }
    impl Advice {
        pub fn new(kind: Kind, urgency: Urgency, text: impl Into<String>) -> Self {}
    }
    #[derive(Clone, Debug, Serialize)]
    pub struct FrameReport {
        pub schema: &'static str,
        pub file: String,
        pub utc: Option<String>,
        pub local: Option<String>,
        pub state: &'static str,
        pub reason: Option<String>,
        pub umbral_fraction: Option<f64>,
        pub centre_px: Option<(f64, f64)>,
        pub radius_px: Option<f64>,
        pub leaves_in_minutes: Option<f64>,
        pub edge_width_px: Option<f64>,
        pub best_edge_width_px: Option<f64>,
        pub clipped_share: Option<f64>,
        pub bright_part: Option<f32>,
        pub light_ratio: Option<f64>,
        pub said: Said,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
    pub enum Kind {
        NoMoon,
        TooSmall,
        Leaving,
        Moved,
        Focus,
        Shaken,
        Dew,
        Trailing,
        Clipped,
        Dark,
        Cloud,
        Contact(&'static str, bool),
        Clock,
        Claim(&'static str),
        Silence,
    }
    #[derive(Clone, Debug, Default, Serialize)]
    pub struct Said {
        pub advice: Vec<Advice>,
        pub settled: Vec<Advice>,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
    pub enum Urgency {
        Now,
        Soon,
        Later,
    }
    /// and what is private
    pub struct Vigil {}
    impl Vigil {
        pub fn new(wishes: Wishes) -> Self {}
        pub fn take(&mut self, path: &Path) -> Result<FrameReport, NightError> {}
        pub fn wait(&mut self, now: Instant) -> Said {}
        pub fn standing(&self) -> Vec<&Advice> {}
        pub fn eclipse(&self) -> Option<&LunarEclipse> {}
    }
    #[derive(Clone, Debug, Default)]
    pub struct Wishes {
        pub observer: Option<Observer>,
        pub eclipse: Option<LunarEclipse>,
        pub trail_px: Option<f64>,
    }
}
#[cfg(feature = "picture")]
pub mod write {
    pub type Bands<'a> = dyn FnMut(std::ops::Range<usize>) -> Vec<f32> + 'a;
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum BitDepth {
        Eight,
        Sixteen,
        Half,
        Float,
    }
    #[derive(Clone, Debug, PartialEq)]
    pub struct CaptureTags {
        pub date_time_original: String,
        pub sub_second: String,
        pub exposure_s: f64,
        pub f_number: f64,
        pub iso: u32,
        pub focal_length_mm: f64,
        pub camera_model: String,
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Container {
        Tiff,
        Png,
        #[cfg(feature = "exr")]
        Exr,
        Jpeg { quality: u8 },
        Dng,
    }
    impl Container {
        pub fn for_path(path: &Path) -> Result<Self, WriteError> {}
        pub fn depth(self, wish: BitDepth) -> BitDepth {}
    }
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub struct Delay {
        pub parts: u16,
        pub of_a_second: u16,
    }
    #[derive(Clone, Debug)]
    pub struct OutputSpec {
        pub container: Container,
        pub depth: BitDepth,
        pub space: RgbSpace,
        pub light: RgbSpace,
        pub dots_per_inch: f64,
        pub record: Option<PictureRecord>,
        pub capture: Option<CaptureTags>,
    }
    impl OutputSpec {
        pub fn new(container: Container, wish: BitDepth) -> Self {}
        pub fn for_path(path: &Path) -> Result<Self, WriteError> {}
    }
    #[derive(Clone, Debug, Default, PartialEq, Eq)]
    pub struct PictureRecord {
        pub title: Option<String>,
        pub description: String,
        pub site: Option<String>,
        pub eclipse: Option<String>,
        pub layout: String,
        pub layout_digest: String,
        pub discs: usize,
        pub simulated: Vec<String>,
    }
    #[derive(Debug, thiserror::Error)]
    #[non_exhaustive]
    pub enum WriteError {
        UnknownEnding { path: PathBuf },
        Io { path: PathBuf, source: std::io::Error },
        Encode { path: PathBuf, message: String },
    }
    pub fn abandon_unfinished() {}
    pub fn srgb_codes(light: &[f32]) -> Vec<u8> {}
    #[cfg(feature = "video")]
    pub fn video_can_say(space: &RgbSpace) -> bool {}
    pub fn write_animation(
        path: &Path,
        spec: &OutputSpec,
        (width, height): (usize, usize),
        delays: &[Delay],
        pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
    ) -> Result<(), WriteError> {}
    pub fn write_bytes(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {}
    pub fn write_kept(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {}
    pub fn write_picture<'a>(
        path: &Path,
        spec: &OutputSpec,
        (width, height): (usize, usize),
        bands: &'a mut Bands<'a>,
    ) -> Result<(), WriteError> {}
    pub fn write_text(path: &Path, text: &str) -> Result<(), WriteError> {}
    #[cfg(feature = "video")]
    pub fn write_video(
        path: &Path,
        spec: &OutputSpec,
        (width, height): (usize, usize),
        delays: &[Delay],
        pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
    ) -> Result<(), WriteError> {}
}
