//! The library's software renderer with our way to the display.

use iced::advanced::image;
use iced::advanced::renderer::{self, Quad};
use iced::advanced::text;
use iced::{Background, Color, Font, Pixels, Point, Rectangle, Size, Transformation};
use iced_tiny_skia::graphics::geometry;
use iced_tiny_skia::{Geometry, geometry::Frame};

/// What the window's widgets draw with. Everything is handed on; only the way to the display differs.
#[derive(Debug)]
pub struct Renderer(pub(super) iced_tiny_skia::Renderer);

impl renderer::Renderer for Renderer {
    fn start_layer(&mut self, bounds: Rectangle) {
        self.0.start_layer(bounds);
    }

    fn end_layer(&mut self) {
        self.0.end_layer();
    }

    fn start_transformation(&mut self, transformation: Transformation) {
        self.0.start_transformation(transformation);
    }

    fn end_transformation(&mut self) {
        self.0.end_transformation();
    }

    fn fill_quad(&mut self, quad: Quad, background: impl Into<Background>) {
        self.0.fill_quad(quad, background);
    }

    fn reset(&mut self, new_bounds: Rectangle) {
        self.0.reset(new_bounds);
    }

    fn allocate_image(
        &mut self,
        handle: &image::Handle,
        callback: impl FnOnce(Result<image::Allocation, image::Error>) + Send + 'static,
    ) {
        self.0.allocate_image(handle, callback);
    }
}

type Plain = iced_tiny_skia::Renderer;

impl text::Renderer for Renderer {
    type Font = Font;
    type Paragraph = <Plain as text::Renderer>::Paragraph;
    type Editor = <Plain as text::Renderer>::Editor;

    const ICON_FONT: Font = <Plain as text::Renderer>::ICON_FONT;
    const CHECKMARK_ICON: char = <Plain as text::Renderer>::CHECKMARK_ICON;
    const ARROW_DOWN_ICON: char = <Plain as text::Renderer>::ARROW_DOWN_ICON;
    const SCROLL_UP_ICON: char = <Plain as text::Renderer>::SCROLL_UP_ICON;
    const SCROLL_DOWN_ICON: char = <Plain as text::Renderer>::SCROLL_DOWN_ICON;
    const SCROLL_LEFT_ICON: char = <Plain as text::Renderer>::SCROLL_LEFT_ICON;
    const SCROLL_RIGHT_ICON: char = <Plain as text::Renderer>::SCROLL_RIGHT_ICON;
    const ICED_LOGO: char = <Plain as text::Renderer>::ICED_LOGO;

    fn default_font(&self) -> Font {
        self.0.default_font()
    }

    fn default_size(&self) -> Pixels {
        self.0.default_size()
    }

    fn fill_paragraph(&mut self, text: &Self::Paragraph, position: Point, color: Color, clip: Rectangle) {
        self.0.fill_paragraph(text, position, color, clip);
    }

    fn fill_editor(&mut self, editor: &Self::Editor, position: Point, color: Color, clip: Rectangle) {
        self.0.fill_editor(editor, position, color, clip);
    }

    fn fill_text(&mut self, text: iced::advanced::Text, position: Point, color: Color, clip: Rectangle) {
        self.0.fill_text(text, position, color, clip);
    }
}

impl geometry::Renderer for Renderer {
    type Geometry = Geometry;
    type Frame = Frame;

    fn new_frame(&self, bounds: Rectangle) -> Frame {
        self.0.new_frame(bounds)
    }

    fn draw_geometry(&mut self, geometry: Geometry) {
        self.0.draw_geometry(geometry);
    }
}

impl renderer::Headless for Renderer {
    async fn new(font: Font, text_size: Pixels, backend: Option<&str>) -> Option<Self> {
        <Plain as renderer::Headless>::new(font, text_size, backend).await.map(Self)
    }

    fn name(&self) -> String {
        self.0.name()
    }

    fn screenshot(&mut self, size: Size<u32>, scale: f32, ground: Color) -> Vec<u8> {
        self.0.screenshot(size, scale, ground)
    }
}
