//! The one widget that can be pressed, by pointer, touch and keyboard.
//!
//! The library gives keyboard focus to text fields only. Buttons, rows, tiles,
//! switches, steppers and the chart are all this wrapper around some content:
//! it takes part in the Tab order, shows a ring while the keyboard is on it,
//! answers Enter, and the space bar while the ring is on it, and hands other keys to whoever made
//! it. Without a ring the space bar is left alone: then it starts and stops.

use std::time::{Duration, Instant};

use iced::advanced::layout::{self, Layout};
use iced::advanced::renderer::{self, Quad, Renderer as _};
use iced::advanced::widget::operation::{Focusable, Operation};
use iced::advanced::widget::tree::{self, Tree};
use iced::advanced::{Clipboard, Shell, Widget, mouse, overlay};
use iced::border::Border;
use iced::keyboard::{self, Key, Modifiers, key};
use iced::widget::Id;
use iced::{Background, Color, Event, Length, Padding, Rectangle, Shadow, Size, Vector, touch, window};

use crate::lettering::{M, S};
use crate::message::{Element, Message};
use crate::painter::Renderer;
use crate::theme::{CONTROL_RADIUS, PANEL_RADIUS, Palette, Theme};

/// How a pressable thing looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// What to press next.
    Main,
    /// The same, while it stops something.
    Stop,
    /// An ordinary button.
    Plain,
    /// A button without a frame of its own.
    Quiet,
    /// One of several, of which some are chosen.
    Choice(bool),
    /// A row or tile on a panel, perhaps the chosen one.
    Row(bool),
    /// Nothing but the ring.
    Bare,
}

/// So long a thing is held before it is pressed again.
const FIRST_REPEAT: Duration = Duration::from_millis(400);
/// And so long between two presses from then on.
const REPEAT: Duration = Duration::from_millis(80);

type OnKey<'a> = Box<dyn Fn(&Key, Modifiers) -> Option<Message> + 'a>;

/// Content that can be pressed.
pub(crate) struct Press<'a> {
    content: Element<'a>,
    id: Option<Id>,
    look: Look,
    on_press: Option<Message>,
    on_key: Option<OnKey<'a>>,
    by_keyboard: bool,
    /// Whether it is pressed again and again while it is held.
    repeats: bool,
    /// Whether a question is open over it.
    out_of_reach: bool,
    width: Length,
    height: Length,
    padding: Padding,
}

impl<'a> Press<'a> {
    /// Wraps some content.
    pub(crate) fn new(content: impl Into<Element<'a>>, look: Look) -> Self {
        Self {
            content: content.into(),
            id: None,
            look,
            on_press: None,
            on_key: None,
            by_keyboard: true,
            repeats: false,
            out_of_reach: false,
            width: Length::Shrink,
            height: Length::Shrink,
            padding: Padding::from([S, M]),
        }
    }

    /// What it is called, so that it can be found.
    pub(crate) fn id(mut self, id: impl Into<Id>) -> Self {
        self.id = Some(id.into());
        self
    }

    /// What happens when it is pressed. Without this and `on_key` it is greyed.
    pub(crate) fn on_press(mut self, message: Message) -> Self {
        self.on_press = Some(message);
        self
    }

    /// The same, if there is anything.
    pub(crate) fn on_press_maybe(mut self, message: Option<Message>) -> Self {
        self.on_press = message;
        self
    }

    /// What other keys do while the keyboard is on it.
    pub(crate) fn on_key(mut self, on_key: impl Fn(&Key, Modifiers) -> Option<Message> + 'a) -> Self {
        self.on_key = Some(Box::new(on_key));
        self
    }

    /// Leaves it out of the Tab order, where a key does the same.
    pub(crate) fn pointer_only(mut self) -> Self {
        self.by_keyboard = false;
        self
    }

    /// Presses it again and again while it is held.
    pub(crate) fn repeating(mut self) -> Self {
        self.repeats = true;
        self
    }

    /// Takes it and everything in it away from pointer, keyboard and Tab order
    /// while a question is open.
    pub(crate) fn out_of_reach(mut self, out_of_reach: bool) -> Self {
        self.out_of_reach = out_of_reach;
        self
    }

    /// Where the pointer is for what lies within.
    fn reach(&self, cursor: mouse::Cursor) -> mouse::Cursor {
        if self.out_of_reach { mouse::Cursor::Unavailable } else { cursor }
    }

    pub(crate) fn width(mut self, width: impl Into<Length>) -> Self {
        self.width = width.into();
        self
    }

    pub(crate) fn height(mut self, height: impl Into<Length>) -> Self {
        self.height = height.into();
        self
    }

    pub(crate) fn padding(mut self, padding: impl Into<Padding>) -> Self {
        self.padding = padding.into();
        self
    }

    fn active(&self) -> bool {
        self.on_press.is_some() || self.on_key.is_some()
    }

    fn press(
        &mut self,
        event: &Event,
        bounds: Rectangle,
        cursor: mouse::Cursor,
        state: &mut State,
        shell: &mut Shell<'_, Message>,
    ) {
        let over = cursor.is_over(bounds);
        match event {
            Event::Mouse(mouse::Event::ButtonPressed(mouse::Button::Left))
            | Event::Touch(touch::Event::FingerPressed { .. })
                if over && self.active() =>
            {
                state.focused = self.by_keyboard;
                if let Some(message) = &self.on_press {
                    state.pressed = true;
                    shell.capture_event();
                    if self.repeats {
                        shell.publish(message.clone());
                        state.again = Some(Instant::now() + FIRST_REPEAT);
                    }
                }
            }
            Event::Mouse(mouse::Event::ButtonReleased(mouse::Button::Left))
            | Event::Touch(touch::Event::FingerLifted { .. })
                if state.pressed =>
            {
                state.pressed = false;
                state.again = None;
                if let Some(message) = self.on_press.as_ref().filter(|_| over && !self.repeats) {
                    shell.publish(message.clone());
                }
                shell.capture_event();
            }
            Event::Touch(touch::Event::FingerLost { .. }) => {
                state.pressed = false;
                state.again = None;
            }
            Event::Window(window::Event::RedrawRequested(now))
                if state.again.is_some_and(|at| *now >= at) =>
            {
                state.again = self.on_press.as_ref().filter(|_| over).map(|message| {
                    shell.publish(message.clone());
                    *now + REPEAT
                });
            }
            Event::Keyboard(keyboard::Event::KeyPressed { key, modifiers, .. }) if state.focused => {
                let answer = match key.as_ref() {
                    Key::Named(key::Named::Enter) if self.on_press.is_some() => self.on_press.clone(),
                    Key::Named(key::Named::Space) if state.ring && self.on_press.is_some() => {
                        self.on_press.clone().map(|message| Message::BySpace(Box::new(message)))
                    }
                    _ => self.on_key.as_ref().and_then(|on_key| on_key(key, *modifiers)),
                };
                if let Some(message) = answer {
                    state.ring = true;
                    shell.publish(message);
                    shell.capture_event();
                }
            }
            _ => {}
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct State {
    focused: bool,
    /// The ring is shown once the keyboard has been used.
    ring: bool,
    pressed: bool,
    hovered: bool,
    /// When it is pressed again, while it is held.
    again: Option<Instant>,
    drawn: Option<(bool, bool, bool)>,
}

impl State {
    fn appearance(self) -> (bool, bool, bool) {
        (self.focused && self.ring, self.pressed, self.hovered)
    }
}

impl Focusable for State {
    fn is_focused(&self) -> bool {
        self.focused
    }

    fn focus(&mut self) {
        self.focused = true;
        self.ring = true;
    }

    fn unfocus(&mut self) {
        self.focused = false;
        self.ring = false;
    }
}

impl Widget<Message, Theme, Renderer> for Press<'_> {
    fn tag(&self) -> tree::Tag {
        tree::Tag::of::<State>()
    }

    fn state(&self) -> tree::State {
        tree::State::new(State::default())
    }

    fn children(&self) -> Vec<Tree> {
        vec![Tree::new(&self.content)]
    }

    fn diff(&self, tree: &mut Tree) {
        tree.diff_children(std::slice::from_ref(&self.content));
    }

    fn size(&self) -> Size<Length> {
        Size { width: self.width, height: self.height }
    }

    fn layout(&mut self, tree: &mut Tree, renderer: &Renderer, limits: &layout::Limits) -> layout::Node {
        layout::padded(limits, self.width, self.height, self.padding, |limits| {
            self.content.as_widget_mut().layout(&mut tree.children[0], renderer, limits)
        })
    }

    fn operate(
        &mut self,
        tree: &mut Tree,
        layout: Layout<'_>,
        renderer: &Renderer,
        operation: &mut dyn Operation,
    ) {
        if self.out_of_reach {
            return;
        }
        operation.container(self.id.as_ref(), layout.bounds());
        if self.active() && self.by_keyboard {
            operation.focusable(self.id.as_ref(), layout.bounds(), tree.state.downcast_mut::<State>());
        }
        operation.traverse(&mut |operation| {
            if let Some(inner) = layout.children().next() {
                self.content.as_widget_mut().operate(&mut tree.children[0], inner, renderer, operation);
            }
        });
    }

    fn update(
        &mut self,
        tree: &mut Tree,
        event: &Event,
        layout: Layout<'_>,
        cursor: mouse::Cursor,
        renderer: &Renderer,
        clipboard: &mut dyn Clipboard,
        shell: &mut Shell<'_, Message>,
        viewport: &Rectangle,
    ) {
        let redraw = matches!(event, Event::Window(window::Event::RedrawRequested(_)));
        if self.out_of_reach && !redraw {
            return;
        }
        let cursor = self.reach(cursor);
        let bounds = layout.bounds();
        let state = tree.state.downcast_mut::<State>();
        if let Event::Mouse(mouse::Event::ButtonPressed(_))
        | Event::Touch(touch::Event::FingerPressed { .. }) = event
        {
            state.unfocus();
        }
        if let Some(inner) = layout.children().next() {
            self.content.as_widget_mut().update(
                &mut tree.children[0],
                event,
                inner,
                cursor,
                renderer,
                clipboard,
                shell,
                viewport,
            );
        }
        let mut state = *tree.state.downcast_ref::<State>();
        if !shell.is_event_captured() {
            self.press(event, bounds, cursor, &mut state, shell);
        }
        state.hovered = self.on_press.is_some() && cursor.is_over(bounds);
        if let Some(at) = state.again {
            shell.request_redraw_at(at);
        }
        if redraw {
            state.drawn = Some(state.appearance());
        } else if state.drawn.is_some_and(|drawn| drawn != state.appearance()) {
            shell.request_redraw();
        }
        *tree.state.downcast_mut::<State>() = state;
    }

    fn draw(
        &self,
        tree: &Tree,
        renderer: &mut Renderer,
        theme: &Theme,
        style: &renderer::Style,
        layout: Layout<'_>,
        cursor: mouse::Cursor,
        viewport: &Rectangle,
    ) {
        let cursor = self.reach(cursor);
        let bounds = layout.bounds();
        let state = *tree.state.downcast_ref::<State>();
        let palette = theme.colors();
        let coat = coat(self.look, palette, state, self.active());
        quad(renderer, bounds, coat.radius, coat.outline, 1.0, coat.background);
        if let Some(inner) = layout.children().next() {
            let text_color = coat.text.unwrap_or(style.text_color);
            self.content.as_widget().draw(
                &tree.children[0],
                renderer,
                theme,
                &renderer::Style { text_color },
                inner,
                cursor,
                viewport,
            );
        }
        if state.focused && state.ring {
            // The ring is set to whole pixels, and a layer is cut where it ends.
            renderer.with_layer(bounds.expand(1.0), |renderer| {
                let ring = Rectangle {
                    x: bounds.x + 1.0,
                    y: bounds.y + 1.0,
                    width: bounds.width - 2.0,
                    height: bounds.height - 2.0,
                };
                let contrast =
                    if matches!(self.look, Look::Main | Look::Stop) { palette.panel } else { palette.focus };
                quad(renderer, bounds, coat.radius, Some(palette.focus), 3.0, None);
                if contrast != palette.focus {
                    quad(renderer, ring.shrink(2.0), coat.radius - 2.0, Some(contrast), 2.0, None);
                }
            });
        }
    }

    fn mouse_interaction(
        &self,
        tree: &Tree,
        layout: Layout<'_>,
        cursor: mouse::Cursor,
        viewport: &Rectangle,
        renderer: &Renderer,
    ) -> mouse::Interaction {
        let cursor = self.reach(cursor);
        let inner = layout.children().next().map_or(mouse::Interaction::None, |inner| {
            self.content.as_widget().mouse_interaction(&tree.children[0], inner, cursor, viewport, renderer)
        });
        if inner != mouse::Interaction::None {
            inner
        } else if self.on_press.is_some() && cursor.is_over(layout.bounds()) {
            mouse::Interaction::Pointer
        } else {
            mouse::Interaction::None
        }
    }

    fn overlay<'b>(
        &'b mut self,
        tree: &'b mut Tree,
        layout: Layout<'b>,
        renderer: &Renderer,
        viewport: &Rectangle,
        translation: Vector,
    ) -> Option<overlay::Element<'b, Message, Theme, Renderer>> {
        let inner = layout.children().next()?;
        self.content.as_widget_mut().overlay(&mut tree.children[0], inner, renderer, viewport, translation)
    }
}

impl<'a> From<Press<'a>> for Element<'a> {
    fn from(press: Press<'a>) -> Self {
        Element::new(press)
    }
}

/// What is painted behind the content.
struct Coat {
    background: Option<Color>,
    outline: Option<Color>,
    text: Option<Color>,
    radius: f32,
}

fn coat(look: Look, palette: &Palette, state: State, active: bool) -> Coat {
    let lit = state.hovered || state.pressed;
    let shade = |plain: Color| if lit { palette.hovered } else { plain };
    let coat = |background, outline, text, radius| Coat { background, outline, text, radius };
    match look {
        Look::Main | Look::Plain | Look::Stop if !active => {
            coat(Some(palette.sunken), Some(palette.edge), Some(palette.muted), CONTROL_RADIUS)
        }
        Look::Main => {
            let fill = if lit { palette.accent_hovered } else { palette.accent };
            coat(Some(fill), None, Some(palette.on_accent), PANEL_RADIUS)
        }
        Look::Stop => coat(Some(palette.bad), None, Some(palette.on_tone), PANEL_RADIUS),
        Look::Plain => coat(Some(shade(palette.raised)), Some(palette.outline), None, CONTROL_RADIUS),
        Look::Quiet => {
            coat(lit.then_some(palette.hovered), None, (!active).then_some(palette.muted), CONTROL_RADIUS)
        }
        Look::Choice(true) => coat(Some(palette.chosen), Some(palette.accent), None, CONTROL_RADIUS),
        Look::Choice(false) => coat(lit.then_some(palette.hovered), Some(palette.edge), None, CONTROL_RADIUS),
        Look::Row(true) => coat(Some(palette.chosen), Some(palette.accent), None, CONTROL_RADIUS),
        Look::Row(false) => coat(Some(shade(palette.raised)), None, None, CONTROL_RADIUS),
        Look::Bare => coat(None, None, None, CONTROL_RADIUS),
    }
}

fn quad(
    renderer: &mut Renderer,
    bounds: Rectangle,
    radius: f32,
    outline: Option<Color>,
    width: f32,
    background: Option<Color>,
) {
    if outline.is_none() && background.is_none() {
        return;
    }
    let border = Border {
        color: outline.unwrap_or(Color::TRANSPARENT),
        width: if outline.is_some() { width } else { 0.0 },
        radius: radius.max(0.0).into(),
    };
    renderer.fill_quad(
        Quad { bounds, border, shadow: Shadow::default(), snap: true },
        Background::Color(background.unwrap_or(Color::TRANSPARENT)),
    );
}
