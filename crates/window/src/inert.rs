//! A wrapper that takes what it holds out of reach while a question is open.

use iced::advanced::layout::{self, Layout};
use iced::advanced::renderer;
use iced::advanced::widget::operation::Operation;
use iced::advanced::widget::tree::{self, Tree};
use iced::advanced::{Clipboard, Shell, Widget, mouse};
use iced::{Event, Length, Rectangle, Renderer, Size, window};

use crate::message::{Element, Message};
use crate::theme::Theme;

/// Shows the content; while `out_of_reach`, neither pointer nor keyboard nor
/// Tab order get to it.
pub(crate) fn inert<'a>(content: Element<'a>, out_of_reach: bool) -> Element<'a> {
    Element::new(Inert { content, out_of_reach })
}

struct Inert<'a> {
    content: Element<'a>,
    out_of_reach: bool,
}

impl Widget<Message, Theme, Renderer> for Inert<'_> {
    fn tag(&self) -> tree::Tag {
        self.content.as_widget().tag()
    }

    fn state(&self) -> tree::State {
        self.content.as_widget().state()
    }

    fn children(&self) -> Vec<Tree> {
        self.content.as_widget().children()
    }

    fn diff(&self, tree: &mut Tree) {
        self.content.as_widget().diff(tree);
    }

    fn size(&self) -> Size<Length> {
        self.content.as_widget().size()
    }

    fn layout(&mut self, tree: &mut Tree, renderer: &Renderer, limits: &layout::Limits) -> layout::Node {
        self.content.as_widget_mut().layout(tree, renderer, limits)
    }

    fn operate(
        &mut self,
        tree: &mut Tree,
        layout: Layout<'_>,
        renderer: &Renderer,
        operation: &mut dyn Operation,
    ) {
        if !self.out_of_reach {
            self.content.as_widget_mut().operate(tree, layout, renderer, operation);
        }
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
        if !self.out_of_reach || redraw {
            let cursor = if self.out_of_reach { mouse::Cursor::Unavailable } else { cursor };
            self.content
                .as_widget_mut()
                .update(tree, event, layout, cursor, renderer, clipboard, shell, viewport);
        }
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
        let cursor = if self.out_of_reach { mouse::Cursor::Unavailable } else { cursor };
        self.content.as_widget().draw(tree, renderer, theme, style, layout, cursor, viewport);
    }

    fn mouse_interaction(
        &self,
        tree: &Tree,
        layout: Layout<'_>,
        cursor: mouse::Cursor,
        viewport: &Rectangle,
        renderer: &Renderer,
    ) -> mouse::Interaction {
        if self.out_of_reach {
            return mouse::Interaction::None;
        }
        self.content.as_widget().mouse_interaction(tree, layout, cursor, viewport, renderer)
    }
}
