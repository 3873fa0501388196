//! What part of the chart is looked at, and what has been drawn of it already.

use std::sync::Arc;

use crate::drawing::margins;
use crate::painter::Cache;
use chart::{Chart, Line, Viewport};
use view::Snapshot;

/// What part of the chart is looked at, and what has been drawn of it already.
///
/// The grid, the curves that stand, the live curves and the ribbon are kept
/// apart, so that a live update draws nothing anew but itself.
#[derive(Debug, Default)]
pub(crate) struct ChartState {
    view: Option<Viewport>,
    shown: Option<Arc<Chart>>,
    ribbon_shown: Option<view::Ribbon>,
    pub(crate) grid: Cache,
    pub(crate) curves: Cache,
    pub(crate) names: Cache,
    pub(crate) live: Cache,
    pub(crate) ribbon: Cache,
    pub(crate) ribbon_scale: Cache,
}

impl ChartState {
    /// The part that is looked at.
    pub(crate) fn view(&self, chart: &Chart) -> Viewport {
        self.view.unwrap_or_else(|| Viewport::fit(chart))
    }

    /// Another snapshot is shown.
    pub(crate) fn show(&mut self, snapshot: &Snapshot) {
        let same = self
            .shown
            .as_ref()
            .is_some_and(|shown| Arc::ptr_eq(shown, &snapshot.chart) || **shown == *snapshot.chart);
        if !same {
            let view = self
                .view
                .map_or_else(|| Viewport::fit(&snapshot.chart), |view| view.carried_to(&snapshot.chart));
            let same_grid = self.view == Some(view)
                && self.shown.as_ref().is_some_and(|shown| {
                    shown.x == snapshot.chart.x
                        && shown.y == snapshot.chart.y
                        && margins(shown) == margins(&snapshot.chart)
                });
            self.view = Some(view);
            self.shown = Some(snapshot.chart.clone());
            self.curves.clear();
            self.names.clear();
            if !same_grid {
                self.grid.clear();
                self.live.clear();
                self.ribbon.clear();
                self.ribbon_scale.clear();
            }
        }
        if self.ribbon_shown != snapshot.ribbon {
            self.ribbon_shown = snapshot.ribbon.clone();
            self.ribbon.clear();
            self.ribbon_scale.clear();
        }
    }

    /// Other live curves are shown.
    pub(crate) fn live_changed(&mut self, before: &[Line], after: &[Line]) {
        if before != after {
            self.live.clear();
        }
    }

    /// Another part is looked at.
    pub(crate) fn look(&mut self, view: Viewport) {
        if self.view != Some(view) {
            self.view = Some(view);
            self.redraw();
        }
    }

    /// The whole chart is looked at.
    pub(crate) fn fit(&mut self) {
        if let Some(view) = self.view {
            self.look(view.whole());
        }
    }

    /// Everything is drawn anew.
    pub(crate) fn redraw(&mut self) {
        for cache in [&self.grid, &self.curves, &self.names, &self.live, &self.ribbon, &self.ribbon_scale] {
            cache.clear();
        }
    }
}
