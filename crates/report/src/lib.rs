//! Papers, drawings and plots
