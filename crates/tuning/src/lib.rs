//! tuning: under construction.
