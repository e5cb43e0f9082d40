mod head_forecast;
mod mass_trend;
