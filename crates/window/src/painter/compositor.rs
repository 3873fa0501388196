//! The display's memory, and what is to be drawn into it.

use std::num::NonZeroU32;

use iced::{Color, Size};
use iced_tiny_skia::graphics::compositor::{self, Display, Information, SurfaceError, Window};
use iced_tiny_skia::graphics::{Error, Settings, Shell, Viewport, error};

use super::{Canvas, Renderer};

/// Opens renderers and surfaces.
pub struct Compositor {
    display: softbuffer::Context<Box<dyn Display>>,
    settings: Settings,
}

/// A window's part of the display.
pub struct Surface {
    buffer: softbuffer::Surface<Box<dyn Display>, Box<dyn Window>>,
    /// Nothing while the window has no size.
    canvas: Option<Canvas>,
}

impl compositor::Default for Renderer {
    type Compositor = Compositor;
}

impl compositor::Compositor for Compositor {
    type Renderer = Renderer;
    type Surface = Surface;

    async fn with_backend(
        settings: Settings,
        display: impl Display + Clone,
        _window: impl Window + Clone,
        _shell: Shell,
        _backend: Option<&str>,
    ) -> Result<Self, Error> {
        let display: Box<dyn Display> = Box::new(display);
        let display = softbuffer::Context::new(display).map_err(|error| Error::GraphicsAdapterNotFound {
            backend: "software",
            reason: error::Reason::RequestFailed(error.to_string()),
        })?;
        Ok(Self { display, settings })
    }

    fn create_renderer(&self) -> Renderer {
        let Settings { default_font, default_text_size, .. } = self.settings;
        Renderer(iced_tiny_skia::Renderer::new(default_font, default_text_size))
    }

    fn create_surface<W: Window + Clone>(&mut self, window: W, width: u32, height: u32) -> Surface {
        let window: Box<dyn Window> = Box::new(window);
        let buffer = softbuffer::Surface::new(&self.display, window).expect("a window has a display");
        let mut surface = Surface { buffer, canvas: None };
        self.configure_surface(&mut surface, width, height);
        surface
    }

    fn configure_surface(&mut self, surface: &mut Surface, width: u32, height: u32) {
        let sides = NonZeroU32::new(width).zip(NonZeroU32::new(height));
        surface.canvas = sides
            .filter(|(width, height)| surface.buffer.resize(*width, *height).is_ok())
            .map(|_| Canvas::new(Size::new(width, height)));
    }

    fn information(&self) -> Information {
        Information { adapter: "processor".to_owned(), backend: "tiny-skia".to_owned() }
    }

    fn present(
        &mut self,
        renderer: &mut Renderer,
        surface: &mut Surface,
        viewport: &Viewport,
        ground: Color,
        on_pre_present: impl FnOnce(),
    ) -> Result<(), SurfaceError> {
        // A window without a size shows nothing.
        let Some(canvas) = surface.canvas.as_mut() else { return Ok(()) };
        let mut buffer = surface.buffer.buffer_mut().map_err(|_| SurfaceError::Lost)?;
        let age = usize::from(buffer.age());
        canvas.draw(renderer, bytemuck::cast_slice_mut(&mut buffer), age, viewport.scale_factor(), ground);
        on_pre_present();
        // All of it, for what was covered by another window is asked for by the same call.
        buffer.present().map_err(|_| SurfaceError::Lost)
    }

    fn screenshot(&mut self, renderer: &mut Renderer, viewport: &Viewport, ground: Color) -> Vec<u8> {
        iced_tiny_skia::window::compositor::screenshot(&mut renderer.0, viewport, ground)
    }
}
